"""Dialects by name and by file."""

from functools import lru_cache
from pathlib import Path

from choreo.diagnostic import Finding, Refused, did_you_mean
from choreo.text import Source, compose, read_text
from choreo.wire.described.dialect import DescribedDialect
from choreo.wire.described.reading.loader import compile_dialect

#: Where the dialects that ship with choreo stand.
FOLDER = Path(__file__).parent.parent / "dialects"


def shipped_names() -> tuple[str, ...]:
    """The names of the dialects that ship with choreo."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.yaml")))


def shipped_file(name: str) -> Path:
    """The file of a dialect that ships with choreo. Raises Refused naming those that do."""
    names = shipped_names()
    if name not in names:
        raise Refused(
            [
                Finding(
                    "dialect-unknown",
                    f"no dialect `{name}` ships with choreo",
                    help=did_you_mean(name, names)
                    + " A file of your own is named with its path, as `./my_drive.yaml`.",
                )
            ]
        )
    return FOLDER / f"{name}.yaml"


def shipped(name: str) -> DescribedDialect:
    """A dialect that ships with choreo, compiled once. Raises Refused naming those that do."""
    return load_dialect(shipped_file(name), f"{name}.yaml")


def load_dialect(path: str | Path, name: str | None = None) -> DescribedDialect:
    """
    The dialect of a file. Findings call the file `name`, by default the path as given.

    Raises Refused with every mistake of the file. The file is read each time and compiled again only when its text is
    another.
    """
    return _compiled(read_text(path, name))


@lru_cache(maxsize=64)
def _compiled(source: Source) -> DescribedDialect:
    return compile_dialect(compose(source), source)
