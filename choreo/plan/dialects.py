"""Which dialect an axis speaks: one that ships with choreo, or a file that the recipe names."""

from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from choreo.diagnostic import Refused
from choreo.plan.amounts import Findings
from choreo.recipe.model import Recipe
from choreo.text import Text
from choreo.wire.described import load_dialect, shipped_file
from choreo.wire.dialect import Dialect


@dataclass(frozen=True, slots=True)
class Dialects:
    """What the axes of a recipe speak, by the name that the recipe uses; the files, and their sha-256 by file name."""

    by_name: Mapping[str, Dialect]
    files: Mapping[str, Path]
    hashes: Mapping[str, str]


def find_dialects(recipe: Recipe, findings: Findings) -> Dialects:
    """Load each dialect that an axis names, once. What cannot be loaded leaves findings and is left out."""
    by_name: dict[str, Dialect] = {}
    files: dict[str, Path] = {}
    hashes: dict[str, str] = {}
    for axis in recipe.axes.values():
        name = str(axis.dialect)
        if name in files:
            continue
        try:
            own = recipe.dialect_files.get(name)
            shown = f"{name}.yaml" if own is None else name
            files[name] = shipped_file(name) if own is None else own
            by_name[name] = load_dialect(files[name], shown)
            hashes[shown] = sha256(files[name].read_bytes()).hexdigest()
        except Refused as refused:
            _report(refused, axis.dialect, findings)
    return Dialects(by_name, files, hashes)


def _report(refused: Refused, name: Text, findings: Findings) -> None:
    """A mistake inside a dialect file is shown there; one without a place is shown where the axis names it."""
    for finding in refused.findings:
        span = finding.primary.span if finding.primary else name.span
        label = finding.primary.label if finding.primary else ""
        findings.add(finding.rule, finding.headline, span, label, others=finding.others, help=finding.help)
