"""
Described dialects: short frames, transcribed from a drive's manual into a YAML file and compiled here.

`frames/` is what the bytes are, `dialect.py` a compiled dialect as the rooms above see it, `reading/` the way from a
file's text to one, `files.py` dialects by name and by file, `asking/` what people want to know of one. Each looks only
at those before it. Conversations do not live here: they are in `choreo.drive.described`.
"""

from choreo.wire.described.dialect import DescribedDialect
from choreo.wire.described.files import load_dialect, shipped, shipped_file, shipped_names
from choreo.wire.described.frames.codec import Means, Role, Shape

__all__ = ["DescribedDialect", "Means", "Role", "Shape", "load_dialect", "shipped", "shipped_file", "shipped_names"]
