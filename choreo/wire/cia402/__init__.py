"""
CiA 301 and CiA 402 on the wire, as far as two verbs and a pushed sample need it: a proof that the open standard fits.

Here live the codecs, a service a module: `sdo`, `pdo`, `emcy`, the power states, the objects. Conversations do not:
they are in `choreo.drive.cia402`. Values and byte examples are those of facts.md B and C.
"""

from choreo.wire.cia402.dialect import CIA402, Cia402Dialect
from choreo.wire.cia402.states import PowerState, power_state

__all__ = ["CIA402", "Cia402Dialect", "PowerState", "power_state"]
