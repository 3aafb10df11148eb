"""
The independent listener: hung on a simulated bus it judges everything that the host sends.

It shares no code with choreo's guard, plan or codecs: frames are decoded with the simulator's own dialect reader,
limits are read from the machine file by itself. `tests/conftest.py` hangs one on every simulated machine of a test.
"""
