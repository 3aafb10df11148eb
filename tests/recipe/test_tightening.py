"""A recipe may tighten what its machine file says, and never widen it."""

from fractions import Fraction

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

STEPS = "steps:\n  - enable: all\n"


@pytest.mark.parametrize(
    ("body", "axis", "name", "value"),
    [
        ("limits: {beam: {speed: 100 mm/s}}\n", "right", "speed", "100 mm/s"),
        ("limits: {beam: {speed: 0.1 m/s}}\n", "left", "speed", "0.1 m/s"),
        ("limits: {left: {speed: 100 mm/s}}\n", "right", "speed", "200 mm/s"),
        ("limits: {left: {speed: 100 mm/s}}\n", "left", "speed", "100 mm/s"),
        ("limits: {beam: {speed: 150 mm/s}, left: {speed: 100 mm/s}}\n", "left", "speed", "100 mm/s"),
        ("limits: {beam: {speed: 100 mm/s}, left: {speed: 150 mm/s}}\n", "left", "speed", "100 mm/s"),
        ("limits: {lift: {jerk: 900 mm/s^3}}\n", "lift", "jerk", "900 mm/s^3"),  # the machine has none
        ("limits: {beam: {speed: 200 mm/s}}\n", "left", "speed", "200 mm/s"),  # the same is not wider
        ("limits: {table: {tracking: 1/200 rev}}\n", "table", "tracking", "1/200 rev"),  # 1.8 deg, below 2 deg
    ],
)
def test_the_tightest_limit_holds(bench, body, axis, name, value):
    recipe = bench.recipe(body + STEPS)
    assert getattr(recipe.limits[axis], name).text == value


def test_travel_is_tightened_end_by_end(bench):
    recipe = bench.recipe("limits: {lift: {travel: [-20 mm, 300 mm]}, beam: {travel: [10 mm, 1000 mm]}}\n" + STEPS)
    assert [end.text for end in recipe.limits["lift"].travel] == ["-20 mm", "300 mm"]
    assert [end.text for end in recipe.limits["left"].travel] == ["10 mm", "1000 mm"]


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ("limits: {beam: {speed: 201 mm/s}}\n", [("limit-widened", "201 mm/s")]),
        ("limits: {left: {speed: 201 mm/s}}\n", [("limit-widened", "201 mm/s")]),
        ("limits: {lift: {travel: [-21 mm, 400 mm]}}\n", [("limit-widened", "-21 mm")]),
        ("limits: {lift: {travel: [-20 mm, 401 mm]}}\n", [("limit-widened", "401 mm")]),
        ("limits: {table: {tracking: 0.1 rev}}\n", [("limit-widened", "0.1 rev")]),
        ("limits: {lift: {speed: 5 deg/s}}\n", [("wrong-dimension", "5 deg/s")]),
        ("limits: {lift: {travel: [500 mm, 600 mm]}}\n", [("limit-widened", "600 mm"), ("empty-travel", "400 mm")]),
        ("limits: {lfit: {speed: 5 mm/s}}\n", [("unknown-axis", "lfit")]),
        ("unhomed: {beam: {speed: 31 mm/s}}\n", [("limit-widened", "31 mm/s")]),
        ("unhomed: {beam: {distance: 2 m}}\n", [("limit-widened", "2 m")]),
        ("bus: {poll: 20 Hz}\n", [("machine-widened", "20 Hz")]),
        ("bus: {bit_rate: 250 kbit/s}\n", [("machine-widened", "250 kbit/s")]),
        (
            "bus: {poll: $rate}\nparameters: {rate: {value: 5 mm}}\n",
            [("changes-the-machine", "$rate"), ("wrong-dimension", "$rate")],
        ),
        ("pairs: {beam: {skew: {trip: 2 mm}}}\n", [("machine-widened", "2 mm")]),
        ("pairs: {beam: {axes: [right, left]}}\n", [("changes-the-machine", "beam")]),
        ("homing: {beam: {search: 31 mm/s}}\n", [("machine-widened", "31 mm/s")]),
        ("homing: {beam: {search: 31 deg/s}}\n", [("wrong-dimension", "31 deg/s")]),
        ("homing: {beam: {home_at: {left: -6 mm}}}\n", [("machine-widened", "-6 mm")]),
        ("homing: {beam: {back_off: 9 mm}}\n", [("machine-widened", "9 mm")]),
        ("homing: {beam: {towards: positive}}\n", [("changes-the-machine", "beam")]),
        ("homing: {lift: {sertch: 5 mm/s}}\n", [("unknown-key", "sertch")]),
        ("axes: {left: {node: 5}}\n", [("changes-the-machine", "axes")]),
        ("name: mine\n", [("changes-the-machine", "name")]),
        ("simulated: other\n", [("changes-the-machine", "simulated")]),
        ("homing_order: [beam]\n", [("changes-the-machine", "homing_order")]),
    ],
)
def test_what_would_widen_or_change_the_machine_is_refused(bench, body, expected):
    refusal = bench.refusal(body + STEPS)
    lines = refusal.lines
    found = [
        (
            f.rule,
            lines[f.primary.span.file][f.primary.span.line - 1][f.primary.span.column - 1 :][: f.primary.span.length],
        )
        for f in refusal.findings
    ]
    assert found == expected


def test_a_widened_limit_shows_the_machines(bench):
    refusal = bench.refusal("limits: {beam: {speed: 300 mm/s}}\n" + STEPS)
    (finding,) = refusal.findings
    assert finding.headline == "`speed` 300 mm/s is above the machine's limit of 200 mm/s"
    (other,) = finding.others
    assert other.span.file == str(bench.folder / "machine.yaml")
    assert other.label == "the machine's limit"


@pytest.mark.parametrize(
    ("body", "read"),
    [
        ("bus: {poll: 100 Hz}\n", lambda recipe: recipe.bus.poll.text == "100 Hz" and recipe.bus.length.text == "5 m"),
        ("pairs: {beam: {skew: {trip: 1 mm}}}\n", lambda recipe: recipe.pairs["beam"].skew.trip.text == "1 mm"),
        ("pairs: {beam: {skew: {trip: 1 mm}}}\n", lambda recipe: recipe.pairs["beam"].skew.structural.text == "20 mm"),
        ("homing: {beam: {crawl: 2 mm/s}}\n", lambda recipe: recipe.homing["beam"].crawl.text == "2 mm/s"),
        ("homing: {beam: {torque: 30 %}}\n", lambda recipe: recipe.homing["beam"].search.text == "30 mm/s"),
        ("homing: {beam: {back_off: 0.008 m}}\n", lambda recipe: recipe.homing["beam"].back_off.text == "0.008 m"),
    ],
)
def test_what_is_tightened_is_laid_over_the_rest(bench, body, read):
    assert read(bench.recipe(body + STEPS))


def test_a_limit_may_be_a_parameter_and_is_compared_as_set(bench):
    body = "parameters: {fast: {value: 100 mm/s, allowed: [10 mm/s, 500 mm/s]}}\nlimits: {beam: {speed: $fast}}\n"
    recipe = bench.recipe(body + STEPS)
    assert recipe.quantity(recipe.limits["left"].speed).value == 100
    assert bench.found(body + STEPS, {"fast": "300 mm/s"}) == [("limit-widened", "$fast")]


speeds = st.fractions(min_value=Fraction(1, 1000), max_value=1000, max_denominator=1000)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40, deadline=None)
@given(st.lists(speeds, min_size=1, max_size=3))
def test_never_a_limit_above_the_machines(bench, values):
    """Whatever a recipe says of a speed, it is refused or the limit is the lowest of all said (the machine's: 200)."""
    names = ["beam", "left", "all"][: len(values)]
    written = ", ".join(f"{name}: {{speed: {value} mm/s}}" for name, value in zip(names, values, strict=True))
    body = f"limits: {{{written}}}\n" + STEPS
    if any(value > 200 for value in values):
        assert {rule for rule, _ in bench.found(body)} >= {"limit-widened"}
    elif "all" in names:
        # `all` names the turntable too, whose speed is no mm/s.
        assert {rule for rule, _ in bench.found(body)} >= {"wrong-dimension"}
    else:
        recipe = bench.recipe(body)
        assert recipe.quantity(recipe.limits["left"].speed).to("mm/s") == min([*values, 200])
