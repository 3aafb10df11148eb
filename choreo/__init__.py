"""choreo: check, rehearse, run and time the motions of multi-axis servo machines on a CAN bus."""

__version__ = "0.1.0"
