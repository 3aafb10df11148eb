"""Files that a recipe names: only inside the folder tree of the recipe, symbolic links followed."""

from __future__ import annotations

import re
from pathlib import Path, PureWindowsPath

from choreo.diagnostic import Refused
from choreo.recipe.reading import Reading
from choreo.recipe.scalars import IDENTIFIER, shortened
from choreo.text.source import Source, read_text
from choreo.text.tree import Branch, Text


def inside(named: Text, folder: Path, root: Path, reading: Reading) -> Path | None:
    """
    The file that `named` names from `folder`; None when it is absolute, leaves the folder tree of `root` (by `..` or a
    symbolic link), or is no file, with the finding kept.
    """
    windows = PureWindowsPath(named)
    if Path(named).is_absolute() or windows.drive or windows.root:
        headline = f"`{shortened(named)}` is an absolute path"
        help = "Name a file in the folder of the recipe, or below it."
        reading.error("path-outside", headline, named.span, help=help)
        return None
    path = folder / named
    try:
        real, real_root = path.resolve(), root.resolve()
        is_file = path.is_file()
    except (OSError, RuntimeError, ValueError):  # RuntimeError: links in a circle, before Python 3.13
        real, real_root, is_file = path, root, False
    if not real.is_relative_to(real_root):
        headline = f"`{shortened(named)}` leads out of the folder of the recipe"
        help = "Everything that a recipe uses lies in its folder or below, so that it can be reviewed as one."
        reading.error("path-outside", headline, named.span, help=help)
        return None
    if not is_file:
        headline = f"there is no file `{shortened(named)}` in the folder {folder}"
        reading.error("file-missing", headline, named.span, help="The path counts from the folder of this file.")
        return None
    return path


def machine_tree(named: Text, recipe: Path, reading: Reading) -> tuple[Path, Branch] | None:
    """The machine file that a recipe names, read; None with findings when it cannot be."""
    path = inside(named, recipe.parent, recipe.parent, reading)
    if path is None:
        return None
    source = _read(path, named, reading)
    tree = reading.compose(source) if source is not None else None
    return (path, tree) if tree is not None else None


def _read(path: Path, named: Text, reading: Reading) -> Source | None:
    try:
        return read_text(path)
    except Refused as refusal:
        reading.lines.update(refusal.lines)
        for finding in refusal.findings:
            if finding.primary is None:
                reading.error(finding.rule, finding.headline, named.span)
            else:
                reading.keep([finding])
        return None


def dialect_file(named: Text, root: Path, reading: Reading) -> Path | None:
    """The file behind `dialect: ./my_drive.yaml`; None for the name of a shipped dialect, or with a finding."""
    if named.endswith((".yaml", ".yml")) or "/" in named or "\\" in named:
        return inside(named, Path(named.file).parent, root, reading)
    plain_name(named, "dialect", reading)
    return None


def plain_name(named: Text, key: str, reading: Reading) -> None:
    """Keep a finding when `named`, the name of something that is shipped, is no plain name."""
    if re.fullmatch(IDENTIFIER, named) is None:
        headline = f"`{key}` must be a plain name, and `{shortened(named)}` stands here"
        reading.error("bad-name", headline, named.span, help="Letters without accents, digits and _ make a name.")
