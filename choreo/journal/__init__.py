"""
The append-only record of a run: what its lines are, the writer, the reader, the upgrades of old versions.

`records.py` is the one table of kinds and fields, `folder.py` says what a run leaves and where. What a record means for
a report is not known here, and nothing here reads a clock: times come from the link, through the caller.
"""

from choreo.journal.exact import exact, fraction
from choreo.journal.folder import RunFolder, prepare_folder, slug
from choreo.journal.reader import (
    AxisInfo,
    Journal,
    PairInfo,
    Record,
    Samples,
    StepInfo,
    read_journal,
    read_journal_text,
)
from choreo.journal.records import KINDS, VERSION, Field, Kind, deviations
from choreo.journal.writer import JournalWriter, Observer, SampleObserver

__all__ = [
    "AxisInfo",
    "Field",
    "Journal",
    "JournalWriter",
    "KINDS",
    "Kind",
    "Observer",
    "PairInfo",
    "Record",
    "RunFolder",
    "SampleObserver",
    "Samples",
    "StepInfo",
    "VERSION",
    "deviations",
    "exact",
    "fraction",
    "prepare_folder",
    "read_journal",
    "read_journal_text",
    "slug",
]
