"""
Long campaigns over whole runs, and a small sample of each for the suite.

    python -m tests.campaigns faults      every kind of fault at every step of the demonstration, as a table
    python -m tests.campaigns recipes     random recipes with random faults
    python -m tests.campaigns kills       `kill -9` at random moments of runs in real time, and what the guardian does
    python -m tests.campaigns demo        the demonstration in real time, in two terminals, against its rehearsal

The last two go on in real time and want a computer that does nothing else. For the first two `verdicts.py` says what
each kind of fault must lead to, by reasoning; `judging.py` holds a run against it. Nothing here is copied from what
choreo does.
"""
