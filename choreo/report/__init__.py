"""
What a run was like, computed from its journal alone: timings, skew, starts, the link, the stop; tables of text.

One calculation a module, `summary.py` gathers them, `text.py` and `summary.json` show the same values. Nothing here may
look at a recipe, a plan or a session: what a report needs and a journal lacks is missing from the journal.
"""

from choreo.report.summary import Summary, summarise, summary_json
from choreo.report.text import report_lines

__all__ = ["Summary", "report_lines", "summarise", "summary_json"]
