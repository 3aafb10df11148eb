"""Every reader of YAML with a sound text of each kind, and what may come of a spoilt one."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from choreo.api import check
from choreo.cli.topics import dialects as pages
from choreo.diagnostic import Finding, Refused
from choreo.diagnostic.render import full_text, json_text
from choreo.errors import RecipeError
from choreo.link.port import SimulationRequest
from choreo.wire.described import load_dialect, shipped_file
from choreo.wire.described.asking.alone import check_alone
from choreo_sim.bus import Bus
from choreo_sim.dialect_reader import read_dialect
from choreo_sim.kernel import Kernel
from choreo_sim.machine import build
from choreo_sim.machine_file import read_machine
from hostile.texts import ROOT, under_recipes

KILN = ROOT / "recipes" / "kiln_gantry"
OWN_DIALECTS = under_recipes("choreo_dialect")
TRIALS = under_recipes("choreo_dialect_test")


class Reader(NamedTuple):
    """What is read, sound texts of it, and the reading, which judges what comes out."""

    name: str
    texts: tuple[Path, ...]
    read: Callable[[bytes, Path], bool]  # True where it was taken


def judge(findings: tuple[Finding, ...], lines) -> None:
    """Findings are as they must be: in plain words, each at a place that there is, and can be shown."""
    assert findings
    for finding in findings:
        assert "\n" not in finding.headline
        assert "Traceback" not in finding.headline
        assert "Error" not in finding.headline
        assert len(finding.headline) < 400, finding.headline
        assert finding.primary is not None, finding
        for mark in (finding.primary, *finding.others):
            text = lines.get(mark.span.file)
            assert text is not None, mark
            assert 1 <= mark.span.line <= len(text), mark
            assert 1 <= mark.span.column <= len(text[mark.span.line - 1]) + 1, mark
    assert full_text(findings, lines)
    assert json_text(findings)


def _checked(recipe: Path) -> bool:
    result = check(recipe)
    if result.findings:
        judge(result.findings, result.lines)
    return result.ok


def _recipe(data: bytes, folder: Path) -> bool:
    (folder / "machine.yaml").write_bytes((KILN / "machine.yaml").read_bytes())
    (folder / "recipe.yaml").write_bytes(data)
    return _checked(folder / "recipe.yaml")


def _machine(data: bytes, folder: Path) -> bool:
    (folder / "machine.yaml").write_bytes(data)
    (folder / "recipe.yaml").write_bytes((KILN / "home_and_test.yaml").read_bytes())
    return _checked(folder / "recipe.yaml")


def _dialect(data: bytes, folder: Path) -> bool:
    path = folder / "mine.yaml"
    path.write_bytes(data)
    try:
        dialect = load_dialect(path)
    except Refused as refused:
        judge(refused.findings, refused.lines)
        return False
    assert list(pages.of_dialect(dialect).lines(100))
    return True


def _trials(data: bytes, folder: Path) -> bool:
    for path in OWN_DIALECTS:
        (folder / path.name).write_bytes(path.read_bytes())
    path = folder / "trials.yaml"
    path.write_bytes(data)
    result = check_alone(path)
    if not result.ok:
        judge(result.findings, result.lines)
    assert result.headline()
    return result.ok


def _judge(refused: RecipeError, name: str) -> None:
    """What the simulator refuses names the file, and where it can line and column."""
    place = refused.headline.split("  ")[0]
    assert re.search(rf"{re.escape(name)}(:\d+:\d+)?$", place), refused.headline
    assert "\n" not in refused.headline
    assert "Error" not in refused.headline


def _by_simulator(read: Callable[[Path], object]) -> Callable[[bytes, Path], bool]:
    def reading(data: bytes, folder: Path) -> bool:
        path = folder / "theirs.yaml"
        path.write_bytes(data)
        try:
            read(path)
        except RecipeError as refused:
            _judge(refused, path.name)
            return False
        return True

    return reading


def _faults(path: Path) -> None:
    kernel = Kernel()
    build(kernel, Bus(kernel, 500_000), SimulationRequest("kiln_gantry", (), 500_000, faults=path))


READERS = (
    Reader("recipe", (KILN / "home_and_test.yaml", KILN / "find_shelf.yaml"), _recipe),
    Reader("machine", (KILN / "machine.yaml",), _machine),
    Reader("dialect", (shipped_file("short_frame"), *OWN_DIALECTS), _dialect),
    Reader("dialect test", tuple(TRIALS), _trials),
    Reader("dialect in the simulator", (shipped_file("short_frame"), *OWN_DIALECTS), _by_simulator(read_dialect)),
    Reader("fault file", tuple(sorted((KILN / "faults").glob("*.yaml"))), _by_simulator(_faults)),
    Reader("machine truth", tuple(sorted((ROOT / "sim" / "machines").glob("*.yaml"))), _by_simulator(read_machine)),
)
