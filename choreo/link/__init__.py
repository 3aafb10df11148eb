"""
The port between the session and a bus: `port.py` says what a link promises.

Over a real bus, through python-can, which `adapter.py` and `settings.py` alone know:

    spec.py, settings.py  which bus is meant, and what python-can is told of it
    serial_port.py, serial_reading.py  a serial port, kept from other programs; what arrives on it
    adapter.py            opening a bus; messages there and back; what its failures mean
    live.py               the link: sending, receiving, waiting, losing the adapter
    outbox.py, arrivals.py  what has not left yet, and what has come
    clockmap.py, hanging.py, waker.py  times of an adapter's clock; one that hangs; the end of a wait
    supervise.py          a session on it, with the signals of this process
    guardian.py           a process that stops the machine when the session cannot any more: it runs
                          `guardian_process.py`, and sends past python-can (`past.py`)

Over a simulated bus, found by entry point (`offered.py`): `simulated.py` in virtual time, `served.py` in real time.
`trace.py` writes down what passes and reads it back. `tests/conformance/` holds every link to the same promises.

Nothing here knows what a frame means.
"""
