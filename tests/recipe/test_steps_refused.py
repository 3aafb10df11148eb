"""Steps that are none: each with its rule and the text that is marked."""

import pytest

from choreo.recipe.referring import MAX_STEPS


@pytest.mark.parametrize(
    ("step", "rule", "text"),
    [
        ("prelaod: {beam: {by: 5 mm}}", "no-verb", "prelaod"),
        ("enable", "no-verb", "enable"),
        ("[enable]", "no-verb", "[enable]"),
        ("label: x", "no-verb", "label"),
        ("{}", "no-verb", "{}"),
        ("{enable: all, dwell: 5 s}", "two-verbs", "dwell"),
        ("{dwell: 5 s, arrive: together}", "unknown-key", "arrive"),
        ("{dwell: 5 s, lable: x}", "unknown-key", "lable"),
        ("{dwell: 5 s, label: }", "missing-value", "label"),
        ("{dwell: 5 s, label: [x]}", "wrong-type", "[x]"),
        ("dwell: 5", "unit-missing", "5"),
        ("dwell: 5.5e3", "unit-missing", "5.5e3"),
        ("dwell: 5 mm", "wrong-dimension", "5 mm"),
        ("dwell: -5 ms", "out-of-range", "-5 ms"),
        ("dwell: 5 sec", "bad-quantity", "5 sec"),
        ("dwell: fast", "bad-quantity", "fast"),
        ("dwell:", "missing-value", "dwell"),
        ("dwell: [5 s]", "wrong-type", "[5 s]"),
        ("dwell: {for: 5 s}", "wrong-type", "{for: 5 s}"),
        ("{dwell: 5 s, timeout: 0 s}", "out-of-range", "0 s"),
        ("dwell: $", "bad-reference", "$"),
        ("dwell: $5", "bad-reference", "$5"),
        ("dwell: 2 * $x", "bad-reference", "2 * $x"),
        ("dwell: $wait", "unknown-parameter", "$wait"),
        ("link_check: {axes: all}", "missing-key", "link_check"),
        ("link_check: {axes: all, exchanges: 0}", "out-of-range", "0"),
        ("link_check: {axes: all, exchanges: 3 times}", "wrong-type", "3 times"),
        ("link_check: {axes: all, exchanges: '3'}", "wrong-type", "'3'"),
        ("link_check: {axes: all, exchanges: 1e3}", "wrong-type", "1e3"),
        ("link_check: {axes: all, exchanges: 99999999999999999999}", "wrong-type", "99999999999999999999"),
        ("link_check: all", "wrong-type", "all"),
        ("configure: {}", "empty-mapping", "configure"),
        ("configure: {beam: {}}", "empty-mapping", "beam"),
        ("configure: {beam: {speeed: 5 mm/s}}", "unknown-key", "speeed"),
        ("configure: {beam: {speed: 5 mm}}", "wrong-dimension", "5 mm"),
        ("configure: {beam: {torque_limit: 101 %}}", "out-of-range", "101 %"),
        ("configure: {beam: {torque_limit: 50}}", "unit-missing", "50"),
        ("configure: {beam: {speed: 5 mm/s}, left: {speed: 4 mm/s}}", "named-twice", "left"),
        ("configure: {beem: {speed: 5 mm/s}}", "unknown-axis", "beem"),
        ("enable: al", "unknown-axis", "al"),
        ("enable: []", "empty-list", "[]"),
        ("enable: [lift, lift]", "named-twice", "lift"),
        ("enable: [all, lift]", "named-twice", "lift"),
        ("enable: [lift, [table]]", "wrong-type", "[lift, [table]]"),
        ("disable: [beam, right]", "named-twice", "right"),
        ("home: table", "no-homing", "table"),
        ("home: all", "no-homing", "all"),
        ("home: left", "homed-by-half", "left"),
        ("preload: {}", "empty-mapping", "{}"),
        ("preload: {beam: 5 mm}", "wrong-type", "5 mm"),
        ("preload: {beam: {}}", "missing-key", "beam"),
        ("preload: {beam: {to: 5 mm, by: 6 mm}}", "to-and-by", "6 mm"),
        ("preload: {beam: {ot: 5 mm}}", "unknown-key", "ot"),
        ("preload: {beam: {by: 5 mm}, left: {by: 5 mm}}", "named-twice", "left"),
        ("preload: {by: 5 mm}", "axis-missing", "{by: 5 mm}"),
        ("{preload: {beam: {by: 5 mm}}, arrive: apart}", "unknown-word", "apart"),
        ("{preload: {beam: {by: 5 mm}}, within: 5 mm}", "unknown-key", "within"),
        ("trigger: {beam: 5}", "wrong-type", "{beam: 5}"),
        ("wait_for_position: {axes: beam, within: 5 mm}", "missing-key", "wait_for_position"),
        ("wait_for_position: {axes: beam, within: 0 mm, for: 5 ms}", "out-of-range", "0 mm"),
        ("wait_for_position: {axes: beam, within: 1 mm, for: 5 ms, timeout: 5 s}", "unknown-key", "timeout"),
        ("move: beam", "wrong-type", "beam"),
        ("move: {to: 100 mm}", "unknown-position", "100 mm"),
        ("move: {to: prak}", "unknown-position", "prak"),
        ("move: {to: park, lift: {by: 5 mm}}", "position-and-groups", "lift"),
        ("{move: {to: park}, order: [beam]}", "order-and-move", "beam"),
        ("{move: {to: park}, order: [beam, table, lift]}", "order-and-move", "lift"),
        ("{move: {to: park}, order: [beam, [table, beam]]}", "named-twice", "beam"),
        ("{move: {to: park}, order: beam}", "wrong-type", "beam"),
        ("{move: {to: park}, order: [beam, []]}", "empty-list", "[beam, []]"),
        ("expect: {axis: beam, position: 5 mm, within: 1 mm}", "unknown-axis", "beam"),
        ("expect: {axis: all, position: 5 mm, within: 1 mm}", "unknown-axis", "all"),
        ("expect: {axis: left, position: 5 mm, within: 1 mm/s}", "wrong-dimension", "1 mm/s"),
        ("repeat: 3", "missing-key", "repeat"),
        ("{repeat: 0, steps: [{dwell: 1 s}]}", "out-of-range", "0"),
        ("{repeat: 3, steps: []}", "empty-list", "steps"),
        ("{repeat: 3, steps: {dwell: 1 s}}", "wrong-type", "{dwell: 1 s}"),
        ("{repeat: 3, steps: [{dwel: 1 s}]}", "no-verb", "dwel"),
    ],
)
def test_a_step_that_makes_no_sense_is_refused_where_it_does_not(bench, step, rule, text):
    body = "positions:\n  park: {beam: 100 mm, table: 5 deg}\nsteps:\n  - " + step + "\n"
    assert bench.found(body) == [(rule, text)]


@pytest.mark.parametrize(
    ("step", "help"),
    [
        ("prelaod: {beam: {by: 5 mm}}", "Did you mean `preload`?"),
        ("wait-for-position: {axes: beam}", "Did you mean `wait_for_position`?"),
        ("configure: {beam: {quick-stop: 5 mm/s^2}}", "Did you mean `quick_stop`?"),
        ("enable: tabel", "Did you mean `table`?"),
        ("{dwell: 5 s, lable: x}", "Did you mean `label`?"),
        ("{move: {beam: {by: 5 mm}}, order: [beam], arrive: togehter}", "Did you mean `together`?"),
    ],
)
def test_the_near_miss_is_suggested(bench, step, help):
    (finding,) = bench.refusal("steps:\n  - " + step + "\n").findings
    assert finding.help == help


def test_a_misspelt_key_is_not_also_called_missing(bench):
    assert bench.step_found("expect: {axis: lift, positoin: 5 mm, within: 1 mm}") == [("unknown-key", "positoin")]


def test_all_that_a_mapping_lacks_is_said_at_once(bench):
    (finding,) = bench.refusal("steps:\n  - expect: {axis: lift}\n").findings
    assert finding.headline == "`expect` has no `position` and `within`"


def test_everything_wrong_is_found_in_one_reading(bench):
    body = "steps:\n  - dwell: 5\n  - enabel: all\n  - repeat: 2\n    steps:\n      - home: lfit\n      - dwell: 1 mm\n"
    assert bench.found(body) == [
        ("unit-missing", "5"),
        ("no-verb", "enabel"),
        ("unknown-axis", "lfit"),
        ("wrong-dimension", "1 mm"),
    ]


def test_repeats_written_out_have_a_limit(bench):
    inner = "steps: [{dwell: 1 ms}, {dwell: 1 ms}]"
    half = MAX_STEPS // 2
    assert bench.recipe(f"steps:\n  - repeat: {half}\n    {inner}\n")
    assert bench.found(f"steps:\n  - repeat: {half}\n    {inner}\n  - dwell: 1 ms\n") == [("too-many-steps", "repeat")]
    nested = "{repeat: 1000000, steps: [{repeat: 1000000, steps: [{repeat: 1000000, steps: [{dwell: 1 s}]}]}]}"
    assert bench.step_found(nested) == [("too-many-steps", "repeat")]


def test_steps_must_be_a_list_with_something_in_it(bench):
    assert bench.found("steps: []\n") == [("empty-list", "steps")]
    assert bench.found("steps:\n") == [("wrong-type", "steps")]
    assert bench.found("steps: {dwell: 1 s}\n") == [("wrong-type", "{dwell: 1 s}")]
    assert bench.found("title2: x\n", head="choreo: 1\ntitle: t\nmachine: machine.yaml\n")[0][0] == "missing-key"
