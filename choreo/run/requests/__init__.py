"""
Requests and the way out: one at a time to a drive, past the guard, as fast as drives may be spoken to; what comes back,
to who asked. What a frame means is not known here, and nothing is judged: see `watch` and `choreo.drive`.
"""
