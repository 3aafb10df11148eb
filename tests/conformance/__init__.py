"""
What a link promises, on every link that there is: the docstrings of `choreo/link/port.py`, sentence by sentence.

A link is put to the test by a *world* in `worlds.py`: the link and what is on the other side of it.
"""
