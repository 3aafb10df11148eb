"""
The port between the session and a bus: `port.py` says what a link promises, `live.py` keeps it over python-can,
`simulated.py` finds a simulated bus by entry point. `tests/conformance/` holds both to the same promises.

Nothing here knows what a frame means.
"""
