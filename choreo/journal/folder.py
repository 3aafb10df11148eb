"""
The run folder: what a run leaves, under which names, and which folders may be written into.

    journal.jsonl   the record of the run
    trace.log       every frame on the bus, as text
    summary.json    the report's figures
    faults.json     what became of the fault file, where one was given
    guardian.json   what the guardian did, when the session of a real run could not stop the machine any more
    rehearsal/      a run folder in it: the dry-run before a real run
    crash.txt       only after a bug in choreo
"""

import re
import unicodedata
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from choreo.errors import RecipeError

JOURNAL, TRACE, SUMMARY, CRASH = "journal.jsonl", "trace.log", "summary.json", "crash.txt"
FAULTS, GUARDIAN, REHEARSAL = "faults.json", "guardian.json", "rehearsal"
LONGEST_SLUG = 60
#: Names that some systems keep for devices, whatever follows them after a dot.
_DEVICES = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])")


@dataclass(frozen=True, slots=True)
class RunFolder:
    """The files of one run."""

    path: Path

    @property
    def journal(self) -> Path:
        """The record of the run."""
        return self.path / JOURNAL

    @property
    def trace(self) -> Path:
        """The bus trace."""
        return self.path / TRACE

    @property
    def summary(self) -> Path:
        """The report's figures."""
        return self.path / SUMMARY

    @property
    def faults(self) -> Path:
        """Which scripted faults acted, from the simulator: the journal knows nothing of them."""
        return self.path / FAULTS

    @property
    def guardian(self) -> Path:
        """The guardian's note, only where it had to act."""
        return self.path / GUARDIAN

    @property
    def rehearsal(self) -> Path:
        """The folder of the dry-run before a real run."""
        return self.path / REHEARSAL

    @property
    def crash(self) -> Path:
        """Written only after a bug in choreo."""
        return self.path / CRASH


def slug(title: str) -> str:
    """
    A folder name made of a title: small letters, digits and hyphens, the same on every system.

    A title without any Latin letter or digit gives a name made of its SHA-256.
    """
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode("ascii").lower()
    name = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:LONGEST_SLUG].strip("-")
    if not name:
        return "run-" + sha256(title.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{name}-run" if _DEVICES.fullmatch(name) else name


def prepare_folder(path: Path) -> RunFolder:
    """
    Make the folder of a new run. One that holds an earlier dry-run's journal is used again and its files are deleted;
    any other folder with something in it is left alone. What a real run left is kept: it may be going on in it now.

    Raises:
        RecipeError: the folder holds a real run or something else, or cannot be made.
    """
    folder = RunFolder(path)
    try:
        path.mkdir(parents=True, exist_ok=True)
        names = {entry.name for entry in path.iterdir()}
        if names - {REHEARSAL} and JOURNAL not in names:
            raise RecipeError(
                f"the folder {path} holds something and no journal of a run",
                rule="foreign-folder",
                help="Name an empty or a new folder with --out.",
            )
        if JOURNAL in names and _is_live(folder.journal):
            raise RecipeError(
                f"the folder {path} holds the record of a run on a real bus, which is never overwritten",
                rule="real-run",
                help="Name an empty or a new folder with --out.",
            )
        for name in (SUMMARY, TRACE, FAULTS, GUARDIAN, CRASH, JOURNAL):  # the journal last: it says whose it is
            (path / name).unlink(missing_ok=True)
    except OSError as error:
        raise RecipeError(
            f"the folder {path} cannot be used for a run: {error.strerror}",
            rule="run-folder",
            help="Name another folder with --out.",
        ) from error
    return folder


def _is_live(journal: Path) -> bool:
    """Whether a journal begins as one of a real run does."""
    if not journal.is_file():
        return False
    with journal.open("rb") as file:
        before_title, _, _ = file.read(400).partition(b'"title"')
    return b'"mode":"live"' in before_title
