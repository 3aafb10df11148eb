"""
The port between the session and a bus: `port.py` says what a link promises, `live.py` keeps it over python-can:
`spec.py`, `settings.py` and `serial_port.py` say which bus it is, `adapter.py` opens it (these two with `settings.py`
alone know python-can), `outbox.py` holds what is not yet sent, `arrivals.py` and `clockmap.py` what comes,
`supervise.py` runs a session on it. `guardian.py` starts a process that stops the machine when the session cannot any
more, past python-can (`past.py`).

`simulated.py` finds a simulated bus by entry point, `trace.py` writes down what passes and reads it back.
`tests/conformance/` holds every link to the same promises.

Nothing here knows what a frame means.
"""
