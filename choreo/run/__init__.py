"""
One execution of a plan: the session that waits in one place, the steps, the watchers, and stopping.

    guard.py      the last check: every outgoing frame, decoded afresh
    session.py    the waiting point: what is due, lanes, conversations, limits
    traffic.py    frames past the guard, requests on their lanes, replies to who asked
    lanes.py      requests that are out, one a lane
    log.py        the journal of the run and its first fault
    axes.py       what is known of each axis: readings, prediction, load, home
    watchers.py   what each reading is held against
    stopping.py   the sequence that brings every axis to rest and proves it
    rests.py      what one axis' ramp allows and its readings prove
    steps/        one module a verb or a few; `STEPS` by action class
    executor.py   the whole of a run, from the first record of the journal to the last

Nothing here reads a recipe or runs a check, and nothing here opens a bus.
"""
