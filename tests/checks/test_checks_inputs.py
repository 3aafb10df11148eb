"""What the rules on inputs and outputs say, where they point, and what other rules say of moves that an input ends."""

import pytest

from choreo.diagnostic import Level

INPUTS = "inputs:\n  probe: {axis: carriage, input: input_1, debounce: 40 ms}\n  guard: {axis: lift, input: 3}\n"
UNTIL = "until: {input: probe, is: on}"

#: Rule, piece, the marked text, the other marked texts, what the headline must say.
CASES = [
    (
        "input-bit",
        "inputs: {probe: {axis: carriage, input: 7}}\nsteps:\n  - dwell: 1 s\n",
        "7",
        ["short_frame"],
        ["`7` is no input of carriage"],
    ),
    (
        "input-bit",
        "inputs: {probe: {axis: carriage, input: home_swich}}\nsteps:\n  - dwell: 1 s\n",
        "home_swich",
        ["short_frame"],
        ["`home_swich` is no input"],
    ),
    (
        "input-poll",
        "inputs: {probe: {axis: carriage, input: 1, debounce: 19 ms}}\nsteps:\n  - dwell: 1 s\n",
        "19 ms",
        ["50 Hz"],
        ["probe must last for 19 ms", "every 20 ms"],
    ),
    (
        "output-number",
        "outputs: {clamp: {axis: carriage, output: 256}}\nsteps:\n  - dwell: 1 s\n",
        "256",
        ["short_frame"],
        ["number 256", "0 to 255"],
    ),
    (
        "wait-without-end",
        INPUTS + "steps:\n  - wait_for: {input: guard, is: on}\n",
        "guard",
        [],
        ["how long `guard` is waited for"],
    ),
    (
        "until-coarse",
        INPUTS + f"steps:\n  - move_until: {{carriage: {{to: 300 mm, speed: 50 mm/s}}, {UNTIL}, "
        "between: [100 mm, 102 mm]}\n",
        "102 mm",
        ["50 mm/s"],
        ["goes 2.9925 mm between two looks", "within 2 mm"],  # 50 mm/s, rounded down on the wire, for 20 ms and 40 ms
    ),
    (
        "travel",
        INPUTS + f"steps:\n  - move_until: {{carriage: {{to: 1301 mm, speed: 50 mm/s}}, {UNTIL}}}\n",
        "1301 mm",
        ["1300 mm"],
        ["carriage would end at 1301 mm"],
    ),
    (  # it may have come to rest anywhere from 200 mm, where it set off, to 300 mm
        "travel",
        INPUTS
        + "steps:\n  - move: {carriage: {to: 200 mm}}\n"
        + f"  - move_until: {{carriage: {{to: 300 mm, speed: 50 mm/s}}, {UNTIL}}}\n"
        + "  - move: {carriage: {by: -201 mm}}\n",
        "-201 mm",
        ["0 mm"],
        ["carriage would end at -1 mm"],
    ),
    (
        "travel",
        INPUTS
        + "steps:\n  - move: {carriage: {to: 200 mm}}\n"
        + f"  - move_until: {{carriage: {{to: 300 mm, speed: 50 mm/s}}, {UNTIL}}}\n"
        + "  - move: {carriage: {by: 1001 mm}}\n",
        "1001 mm",
        ["1300 mm"],
        ["carriage would end at 1301 mm"],
    ),
    (
        "load-set",
        INPUTS + f"steps:\n  - preload: {{lift: {{by: -5 mm}}}}\n  - move_until: {{carriage: {{to: 9 mm}}, {UNTIL}}}\n"
        "  - trigger: lift\n",
        "move_until",
        ["-5 mm"],
        ["would also start lift"],
    ),
    (
        "pair-together",
        "inputs: {rail: {axis: beam_left, input: 1}}\nsteps:\n"
        "  - move_until: {beam_left: {to: 100 mm, speed: 50 mm/s}, until: {input: rail, is: on}}\n",
        "100 mm",
        [],
        ["beam would be racked", "beam_left moves and beam_right does not"],
    ),
    (
        "closing-moves",
        "outputs: {clamp: {axis: carriage, output: 1}}\nsteps:\n  - dwell: 1 s\n"
        "closing:\n  - set_output: {clamp: off}\n  - disable: all\n",
        "set_output",
        [],
        ["`set_output`", "after a failure it is left out"],
    ),
    (
        "pair-reaction",
        "inputs: {rail: {axis: beam_left, input: 1}}\nsteps:\n  - configure: {beam: {speed: 400 mm/s}}\n"
        "  - move_until: {beam: {to: 1900 mm, speed: 400 mm/s}, until: {input: rail, is: on}}\n",
        "400 mm/s",
        ["20 mm"],
        ["beam could be racked"],
    ),
]


@pytest.mark.parametrize(("rule", "piece", "primary", "others", "says"), CASES)
def test_a_finding_says_both_numbers_and_points_at_both_places(bench, rule, piece, primary, others, says):
    found = bench.of(rule, piece)
    assert found, "nothing was found"
    finding = found[0]
    for part in says:
        assert part in finding.headline
    assert bench.marked(finding.primary) == primary
    assert [bench.marked(mark) for mark in finding.others] == others


@pytest.mark.parametrize(
    "piece",
    [
        # exactly to both ends of the travel from both ends of the way
        INPUTS
        + "steps:\n  - move: {carriage: {to: 200 mm}}\n"
        + f"  - move_until: {{carriage: {{to: 300 mm, speed: 50 mm/s}}, {UNTIL}}}\n"
        + "  - move: {carriage: {by: -200 mm}}\n  - move: {carriage: {by: 1200 mm}}\n",
        # a `to` makes the place certain again
        INPUTS
        + f"steps:\n  - move_until: {{carriage: {{to: 1300 mm, speed: 50 mm/s}}, {UNTIL}}}\n"
        + "  - move: {carriage: {to: 1300 mm}}\n  - move: {carriage: {by: -1300 mm}}\n",
        # what is expected is known at the machine only
        INPUTS
        + f"steps:\n  - move_until: {{carriage: {{to: 300 mm, speed: 50 mm/s}}, {UNTIL}}}\n"
        + "  - expect: {axis: carriage, position: 150 mm, within: 5 mm}\n",
        # a wait for the axis is lawful: it was told to move
        INPUTS
        + f"steps:\n  - move_until: {{carriage: {{to: 300 mm, speed: 50 mm/s}}, {UNTIL}}}\n"
        + "  - wait_for_position: {axes: carriage, within: 0.1 mm, for: 60 ms}\n",
    ],
)
def test_what_is_lawful_passes(bench, piece):
    assert [finding.headline for finding in bench.findings(piece) if finding.level is Level.ERROR] == []


def test_before_home_the_whole_way_counts(bench):
    """1400 mm are allowed from where it was found; it may stand anywhere on the first 800 mm."""
    piece = (
        "# from the start\n" + INPUTS + "steps:\n  - configure: {carriage: {speed: 80 mm/s, acceleration: 400 mm/s^2, "
        "jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}}\n  - enable: carriage\n"
        f"  - move_until: {{carriage: {{by: 800 mm, speed: 40 mm/s}}, {UNTIL}}}\n"
        "  - move: {carriage: {by: 601 mm, speed: 40 mm/s}}\n"
    )
    (finding,) = bench.of("unhomed-limit", piece)
    assert "1401 mm" in finding.headline
    assert bench.findings(piece.replace("601 mm", "600 mm")) is not None
    assert bench.of("unhomed-limit", piece.replace("601 mm", "600 mm")) == []


@pytest.mark.parametrize(
    "way", ["{carriage: {to: 300 mm}, %s}\n    speed: 600 mm/s", "{carriage: {to: 300 mm, speed: 600 mm/s}, %s}"]
)
def test_no_speed_is_above_the_limit(bench, way):
    found = bench.findings(INPUTS + "steps:\n  - move_until: " + way % UNTIL + "\n")
    (finding,) = [finding for finding in found if finding.rule == "speed-limit"]
    assert "carriage would move at 600 mm/s, above its limit of 500 mm/s" in finding.headline
    assert bench.marked(finding.primary) == "600 mm/s"


def test_an_interlock_that_cannot_be_read_is_called_one(bench):
    piece = (
        "# from the start\naxes: {carriage: {dialect: ./inputless.yaml}}\n"
        "inputs: {a: {axis: carriage, input: 3}, b: {axis: carriage, input: 4}}\ninterlocks: [a]\n"
        "steps:\n  - dwell: 1 s\n"
    )
    one, two = bench.of("input-unreadable", piece)
    assert "the interlock a cannot be read" in one.headline
    assert "the input b cannot be read" in two.headline


def test_a_drive_without_outputs_switches_none(bench):
    piece = (
        "# from the start\naxes: {carriage: {dialect: ./outputless.yaml}}\n"
        "outputs: {clamp: {axis: carriage, output: 1}}\nsteps:\n  - set_output: {clamp: on}\n"
    )
    (finding,) = bench.of("output-number", piece)
    assert "has no message set_output" in finding.headline


def test_an_overrun_is_told_with_its_length(bench):
    """200 mm/s at 200 mm/s^2 need 100 mm and the jerk's share; at 1500 mm/s^2 about 27 mm (facts.md E)."""
    piece = (
        "axes: {carriage: {dialect: ./softstop.yaml}}\n" + INPUTS + "steps:\n"
        "  - configure: {carriage: {quick_stop: 200 mm/s^2}}\n"
        f"  - move_until: {{carriage: {{to: %s mm, speed: 200 mm/s}}, {UNTIL}}}\n"
    )
    (finding,) = bench.of("until-overrun", piece % 1250)
    beyond = float(finding.headline.split(" mm beyond")[0].rsplit(" ", 1)[1])
    assert 20 < beyond < 50
    assert bench.of("until-overrun", piece % int(1250 - beyond - 1)) == []
