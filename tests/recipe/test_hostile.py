"""
Whatever a recipe holds, reading it ends in a recipe or in one kind of refusal, never in anything else.

The texts are made of the shipped recipe with pieces put in, taken out and changed.
"""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from choreo.diagnostic import Finding, Refused
from choreo.diagnostic.render import full_text, json_text
from choreo.recipe.load import load
from choreo.recipe.model import Recipe
from hostile.texts import PIECES

KILN = Path(__file__).parents[2] / "recipes" / "kiln_gantry"
RECIPE = "\n".join(
    line
    for line in (KILN / "home_and_test.yaml").read_text(encoding="utf-8").split("\n")
    if not line.strip().startswith("#")
)
MACHINE = (KILN / "machine.yaml").read_text(encoding="utf-8")


def outcome(folder: Path, recipe: str, machine: str, overrides=None):
    (folder / "recipe.yaml").write_text(recipe, encoding="utf-8", errors="surrogatepass", newline="")
    (folder / "machine.yaml").write_text(machine, encoding="utf-8", errors="surrogatepass", newline="")
    try:
        return load(folder / "recipe.yaml", overrides)
    except Refused as refusal:
        return refusal


def judge(result) -> None:
    if isinstance(result, Recipe):
        return
    assert result.findings
    assert all(isinstance(finding, Finding) for finding in result.findings)
    for finding in result.findings:
        assert "\n" not in finding.headline
        assert "Error" not in finding.headline
        assert "Traceback" not in finding.headline
        for mark in (finding.primary, *finding.others):
            if mark is not None:
                lines = result.lines[mark.span.file]
                assert 1 <= mark.span.line <= len(lines)
                assert 1 <= mark.span.column <= len(lines[mark.span.line - 1]) + 1
    assert full_text(result.findings, result.lines)
    assert json_text(result.findings)


def spoilt(text, edits):
    for at, length, piece in edits:
        at = int(at * len(text))
        text = text[:at] + piece + text[at + length :]
    return text


edits = st.lists(st.tuples(st.floats(0, 1), st.integers(0, 12), st.sampled_from(PIECES)), min_size=1, max_size=4)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150, deadline=None)
@given(edits, edits, st.booleans())
def test_a_spoilt_recipe_is_read_or_refused(tmp_path, in_recipe, in_machine, both):
    judge(outcome(tmp_path, spoilt(RECIPE, in_recipe), spoilt(MACHINE, in_machine) if both else MACHINE))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(st.text(max_size=60), st.text(max_size=60))
def test_any_text_where_a_step_stands_is_read_or_refused(tmp_path, step, key):
    judge(outcome(tmp_path, f"choreo: 1\ntitle: t\nmachine: machine.yaml\nsteps:\n  - {step}\n{key}", MACHINE))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(
    st.dictionaries(
        st.text(max_size=12) | st.just("stroke"), st.text(max_size=20) | st.sampled_from(PIECES), max_size=3
    )
)
def test_any_setting_on_the_command_line_is_taken_or_refused(tmp_path, overrides):
    result = outcome(tmp_path, RECIPE, MACHINE, overrides)
    assert isinstance(result, Refused) or set(overrides) <= {"stroke"}
    for finding in getattr(result, "findings", ()):
        assert finding.primary.span.file == "--set" or finding.rule in ("wrong-dimension", "out-of-range")


SHAPES = ["", "x", "[]", "{}", "[x]", "{x: y}", "[[x]]", "{x: {y: z}}", "[{x: y}]", "5", "5 mm", "$stroke", "''"]


def _places():
    """Each `key:` of the shipped recipe and machine file, once a key."""
    places, seen = [], set()
    for name, text in (("recipe", RECIPE), ("machine", MACHINE)):
        for line in text.split("\n"):
            key = line.strip().removeprefix("- ").split(":")[0]
            if ":" in line and key.isidentifier() and (name, key) not in seen:
                seen.add((name, key))
                places.append((name, line))
    return places


@pytest.mark.parametrize(("name", "line"), _places(), ids=lambda value: value.strip())
def test_any_shape_may_stand_at_any_key(tmp_path, name, line):
    head = line[: line.index(":") + 1]
    for shape in SHAPES:
        recipe, machine = RECIPE, MACHINE
        if name == "recipe":
            recipe = recipe.replace(line, f"{head} {shape}", 1)
        else:
            machine = machine.replace(line, f"{head} {shape}", 1)
        judge(outcome(tmp_path, recipe, machine))


STEPS = "steps:\n  - enable: all\n"
HEAD = "choreo: 1\ntitle: t\nmachine: machine.yaml\n"


@pytest.mark.parametrize(
    ("recipe", "rules"),
    [
        (HEAD + "steps:\n" + "  - enable: lfit\n" * 40_000, {"unknown-axis", "many-findings"}),
        (HEAD + "steps:\n" + "  - enabel: lift\n" * 40_000, {"no-verb", "many-findings"}),
        (HEAD + STEPS + "".join(f"k{number}: 1\n" for number in range(60_000)), {"unknown-key", "many-findings"}),
        (HEAD + f"steps:\n  - dwell: {'9' * 3_000_000} s\n", {"bad-quantity"}),
        (HEAD + f"steps:\n  - enable: {'x' * 3_000_000}\n", {"unknown-axis"}),
        (HEAD + f"steps:\n  - dwell: ${'x' * 3_000_000}\n", {"unknown-parameter"}),
        (HEAD + f"steps:\n  - enable: [{'lift, ' * 60_000}]\n", {"named-twice", "many-findings"}),
        (
            HEAD
            + "parameters:\n"
            + "".join(f"  p{number}: {{value: 1 s}}\n" for number in range(20_000))
            + "steps:\n"
            + "  - dwell: $q\n" * 200,
            {"unknown-parameter", "many-findings"},
        ),
        (
            HEAD + "limits: {lift: {" + ", ".join(f"k{n}: 1" for n in range(30_000)) + "}}\n" + STEPS,
            {"unknown-key", "many-findings"},
        ),
        (
            "choreo: 1\ntitle: t\naxes:\n" + "".join(f"  a{n}: {{node: 1}}\n" for n in range(30_000)) + STEPS,
            {"too-many-axes"},
        ),
        (HEAD + "x" * 3_900_000, {"yaml-syntax"}),
    ],
    ids=[
        "names",
        "verbs",
        "keys",
        "digits",
        "long name",
        "long parameter",
        "list",
        "parameters",
        "limits",
        "axes",
        "line",
    ],
)
def test_megabytes_of_nonsense_are_refused_with_few_words(tmp_path, recipe, rules):
    """Each of these would take minutes if every finding were made, or every name compared with every other."""
    result = outcome(tmp_path, recipe, MACHINE)
    assert rules <= {finding.rule for finding in result.findings}
    assert len(result.findings) <= 101
    assert all(len(finding.headline) < 300 for finding in result.findings)
    judge(result)


def test_a_hundred_findings_end_the_reading_and_it_says_so(tmp_path):
    result = outcome(tmp_path, HEAD + "steps:\n" + "".join(f"  - enable: x{n}\n" for n in range(101)), MACHINE)
    assert [finding.rule for finding in result.findings].count("unknown-axis") == 100
    assert result.findings[0].rule == "many-findings"
    assert "100" in result.findings[0].headline


LIMITS = "  all: {travel: [0 mm, 9 mm], speed: 1 mm/s, acceleration: 1 mm/s^2, quick_stop: 1 mm/s^2, tracking: 1 mm}\n"


def test_a_few_axes_may_be_like_another_in_a_row(tmp_path):
    def chain(length):
        rows = [f"  a{n}: {{like: {f'a{n - 1}' if n else 'lift'}, node: {n + 20}}}\n" for n in range(length)]
        machine = MACHINE.replace("\naxes:\n", "\naxes:\n" + "".join(rows), 1)
        machine = machine.replace("\nlimits:\n", "\nlimits:\n" + LIMITS, 1)
        return machine.replace("\nunhomed:\n", "\nunhomed:\n  all: {speed: 1 mm/s, distance: 1 mm}\n", 1)

    sound = outcome(tmp_path, HEAD + STEPS, chain(8))
    assert sound.axes["a7"].brake == sound.axes["lift"].brake
    assert {finding.rule for finding in outcome(tmp_path, HEAD + STEPS, chain(40)).findings} == {"like-too-long"}
