"""
A recipe with everything resolved: exact positions, counts, raw values, timeouts, predicted times.

`model.py` is what a plan is (no pydantic object in it), `resolve.py` makes it from a recipe. The rooms that run, check
and report read plans; nothing here sends a frame or reads a clock.
"""
