"""
The simulated bus, the drives on it and the mechanics behind them, written from the device's side.

    kernel.py, bus.py, controller.py  virtual time, the wire, who sends on it
    short_frame_drive.py, cia402_node.py, dialect/  drives, and what they understand
    machine.py, mechanics.py, truth.py  the machine, and what is true of it
    faults.py and fault_*.py  what shall go wrong with either
    link.py  the host's adapter in virtual time
    serve.py, realtime.py, serial_adapter.py  a machine in real time, behind adapters that any program may open

Nothing here shares a codec or motion code with choreo: a misreading that both had would hide itself.
"""
