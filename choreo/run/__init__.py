"""
One execution of a plan: the session that waits in one place, the steps, the watchers, and stopping.

    executor.py   the whole of a run, from the first record of the journal to the last
    first_record.py  everything that decided the run
    live.py       what a run on a real bus has besides
    stop_now.py   a stop without a run, on a bus that was just opened
    session.py    the waiting point: what is due, lanes, conversations, limits
    lateness.py   when the session itself is late
    guard.py      the last check: every outgoing frame, decoded afresh
    log.py        the journal of the run and its first fault
    axes.py       what is known of each axis: readings, prediction, load, home
    context.py    what a step works with
    scopes.py     named parts of a run
    requests/     what goes out and who gets the answer: lanes, the outlet, pacing, numbered frames, silent nodes
    watch/        what each reading, input and unasked word is held against
    prepare/      empty loads, scales, speeds, what a stopped run left, what a real bus asks for before the first step
    steps/        one module a verb or a few; `STEPS` by action class
    stopping.py   the sequence that brings every axis to rest and proves it
    rests.py      what one axis' ramp allows and its readings prove

Nothing here reads a recipe or runs a check, and nothing here opens a bus.
"""
