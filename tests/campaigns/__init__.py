"""
Long campaigns over whole runs, and a small sample of each for the suite.

    python -m tests.campaigns faults      every kind of fault at every step of the demonstration, as a table
    python -m tests.campaigns recipes     random recipes with random faults

`verdicts.py` says what each kind of fault must lead to, by reasoning; `judging.py` holds a run against it. Nothing here
is copied from what choreo does.
"""
