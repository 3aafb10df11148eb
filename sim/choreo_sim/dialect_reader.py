"""
The simulated drive's own reading of a described dialect, for whoever stands outside `dialect/`.

Physical values are in counts, counts/s, counts/s² and counts/s³ (per cent for torque); times are nanoseconds.
"""

from choreo_sim.dialect.form import Form
from choreo_sim.dialect.model import DriveDialect, LoadRules, Message, Speech, framed
from choreo_sim.dialect.reader import SHIPPED, read_dialect
from choreo_sim.dialect.scales import SettingRule

__all__ = [
    "SHIPPED",
    "DriveDialect",
    "Form",
    "LoadRules",
    "Message",
    "SettingRule",
    "Speech",
    "framed",
    "read_dialect",
]
