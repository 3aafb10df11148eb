"""Pieces of recipes laid over the machine in `base.yaml`, and what the checks find."""

import io
from fractions import Fraction
from pathlib import Path

from ruamel.yaml import YAML

from choreo.checks import CHECKS, run_checks
from choreo.diagnostic import Level
from choreo.plan.resolve import resolve
from choreo.recipe.load import load
from choreo.wire.described import shipped_file

BASE = Path(__file__).with_name("base.yaml")
FROM_THE_START = "# from the start"


def message(name: str) -> str:
    """The lines of a message of the shipped dialect."""
    lines = shipped_file("short_frame").read_text(encoding="utf-8").splitlines(keepends=True)
    begin = next(at for at, line in enumerate(lines) if line.startswith(f"  {name}:"))
    end = next(at for at, line in enumerate(lines) if at > begin and line[:3].strip())
    return "".join(lines[begin:end])


#: Variants of the shipped dialect: file name, what is replaced, by what.
DIALECTS = {
    "queueing": [
        ("second_load: replaces", "second_load: queues"),
        ("cleared_by: [clear_load]", "cleared_by: []"),
        ("survives: [stop, quick_stop, disable]", "survives: [stop, quick_stop, disable]"),
    ],
    "demanded": [("position: {is: actual,", "position: {is: demanded,")],
    "softstop": [("stop: {ramp: acceleration}", "stop: {ramp: quick_stop}")],
    "inputless": [(message("read_inputs"), ""), ("latch: {switch: home_switch}\n", "")],
    "outputless": [(message("set_output"), "")],
    "latchless": [("latch: {switch: home_switch}\n", "")],
    "keeping": [("at_trigger: consumed", "at_trigger: kept")],
    "hesitant": [("gap: 0 ms", "gap: 15 ms")],
    "one_by_one": [
        ("reply_within: 3 ms", "reply_within: 6 ms"),
        ("latch: 0.5 ms", "latch: 0.5 ms\n  outstanding: 1"),
    ],
    "watched": [("profile: ", "watchdog: {within: 200 ms, fed_by: any, then: quick_stop}\nprofile: ")],
    "lasting": [("permanent_settings: []", "permanent_settings: [acceleration]")],
    "elsewhere": [  # on identifiers of its own
        ("{base: 0x020}", "{base: 0x220}"),
        ("{base: 0x040}", "{base: 0x240}"),
        ("{base: 0x060}", "{base: 0x260}"),
        ("{base: 0x120}", "{base: 0x320}"),
        ("{base: 0x140}", "{base: 0x340}"),
    ],
    "crossing": [
        ("{base: 0x120}", "{base: 0x0C0}"),
        ("{base: 0x140}", "{base: 0x13F}"),
    ],  # requests as of the node below
    "narrow": [("{position: signed 32}", "{position: signed 16}"), ("{target: signed 32}", "{target: signed 16}")],
}


class Bench:
    """One folder with one recipe at a time."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        text = shipped_file("short_frame").read_text(encoding="utf-8")
        for name, changes in DIALECTS.items():
            varied = text.replace("name: short_frame", f"name: {name}")
            for old, new in changes:
                assert old in varied, (name, old)
                varied = varied.replace(old, new)
            (folder / f"{name}.yaml").write_text(varied, encoding="utf-8")

    def load(self, piece: str):
        """The recipe that a piece makes over the base."""
        path = self.folder / "recipe.yaml"
        path.write_text(laid_over(piece), encoding="utf-8")
        return load(path)

    def findings(self, piece: str, *, pace=Fraction(1)):
        """What the checks find; resolving must find nothing."""
        recipe = self.load(piece)
        plan, problems = resolve(recipe, pace)
        assert [problem.headline for problem in problems] == []
        return run_checks(plan, recipe)

    def of(self, rule: str, piece: str, **given):
        """The findings of one rule; errors of other rules fail the test."""
        found = self.findings(piece, **given)
        strangers = [f.headline for f in found if f.rule != rule and f.level is Level.ERROR]
        assert strangers == []
        return [finding for finding in found if finding.rule == rule]

    def marked(self, mark) -> str:
        """The text that a mark stands under."""
        line = Path(mark.span.file).read_text(encoding="utf-8").splitlines()[mark.span.line - 1]
        return line[mark.span.column - 1 : mark.span.column - 1 + mark.span.length]


def laid_over(piece: str) -> str:
    """Mappings are laid over mappings, key by key; everything else takes the place of what was there."""
    yaml = YAML(typ="safe", pure=True)
    base, own = yaml.load(BASE.read_text(encoding="utf-8")), yaml.load(piece)
    opening = base.pop("opening")
    whole = _over(base, own)
    if not piece.strip().startswith(FROM_THE_START):
        whole["steps"] = opening + whole["steps"]
    written = io.StringIO()
    yaml.default_flow_style = False
    yaml.dump(whole, written)
    return written.getvalue()


def _over(below, above):
    if not (isinstance(below, dict) and isinstance(above, dict)):
        return above
    return {
        key: _over(below[key], above[key]) if key in below and key in above else (above if key in above else below)[key]
        for key in {**below, **above}
    }


def examples(check):
    """The passing and the failing recipe of a rule's manual."""
    from inspect import cleandoc

    manual = cleandoc(check.__doc__)
    _, rest = manual.split("\nPasses:\n")
    passes, fails = rest.split("\nFails:\n")
    return cleandoc(passes), cleandoc(fails)


ALL = {check.ID: check for check in CHECKS}
