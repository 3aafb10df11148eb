"""
A run on the real bus, from the checked recipe to the run folder.

    rehearsal.py   a dry-run of exactly this content, found or made now
    listening.py   who else is on the bus, before anything is sent
    stops.py       the stop frames that a guardian sends when the session can send nothing any more
    steady.py      keeping the session's own pauses short
    words.py       what somebody must have read before a machine moves
    running.py     the whole of it: adapter, guardian, journal, session
    stop.py        the stop from a second terminal: through the process that has the machine, or over the bus

What a session does live and not in a dry-run is in `choreo/run/` (`live.py`, `prepare/ready.py`, `stop_now.py`): what
is sent is composed there and in `choreo/drive/`.
"""
