"""
The port between the session and a bus: `port.py` says what a link promises, `live.py` keeps it over python-can
(`adapter.py` alone imports it, `outbox.py` holds what is not yet sent, `supervise.py` runs a session on it),
`simulated.py` finds a simulated bus by entry point, `trace.py` writes down what passes and reads it back.
`tests/conformance/` holds every link to the same promises.

Nothing here knows what a frame means.
"""
