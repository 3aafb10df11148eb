"""
Described dialects: short frames, transcribed from a drive's manual into a YAML file and compiled here.

Here live the kinds of field (`fields`), the frames (`codec`), what choreo asks of each message (`verbs`), the reading
of a file with all its mistakes (`files`, `loader`, `messages`, `payloads`, `sections`, `conflicts`). Conversations do
not: they are in `choreo.drive.described`.
"""

from choreo.wire.described.codec import Means, Role, Shape
from choreo.wire.described.dialect import DescribedDialect
from choreo.wire.described.files import load_dialect, shipped, shipped_file, shipped_names

__all__ = ["DescribedDialect", "Means", "Role", "Shape", "load_dialect", "shipped", "shipped_file", "shipped_names"]
