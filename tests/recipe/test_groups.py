"""`groups`: axes and pairs that have one name, wherever names stand."""

import pytest

from tests.recipe.conftest import HEAD

GROUPS = "groups:\n  upper: [lift, beam]\n  turning: table\nlimits:"
STEPS = "steps:\n  - enable: upper\n"


@pytest.fixture
def grouped(bench):
    bench.machine("limits:", GROUPS)
    return bench


def test_a_group_stands_for_its_axes_in_the_order_of_declaration(grouped):
    recipe = grouped.recipe(STEPS)
    assert recipe.axes_of("upper") == ("left", "right", "lift")
    assert recipe.axes_of("turning") == ("table",)
    assert recipe.axes_of(("turning", "upper")) == recipe.axes_of("all")


def test_limits_of_a_group_hold_for_each_of_its_axes(grouped):
    recipe = grouped.recipe(STEPS, head=HEAD + "limits:\n  upper: {speed: 50 mm/s}\n")
    assert [recipe.limits[axis].speed.given.to("mm/s") for axis in recipe.axes_of("upper")] == [50, 50, 50]
    assert recipe.limits["table"].speed.given.to("deg/s") == 90


def test_a_recipe_may_add_a_group_of_its_own(grouped):
    recipe = grouped.recipe("steps:\n  - enable: low\n", head=HEAD + "groups: {low: [lift, table]}\n")
    assert recipe.axes_of("low") == ("lift", "table")


def test_homing_of_a_group_holds_for_each_axis_and_pair_without_one_of_its_own(bench):
    table = "towards: positive, using: home_switch, search: 20 mm/s, crawl: 2 mm/s, back_off: 6 mm, within: 450 mm"
    bench.machine("limits:", "groups:\n  upper: [lift, beam]\nlimits:")
    bench.machine(
        "  lift: {towards: positive,",
        f"  upper: {{{table}, home_at: 405 mm, rest_at: 390 mm, square_limit: 2 mm}}\n  lift: {{towards: positive,",
    )
    recipe = bench.recipe("steps:\n  - home: upper\n")
    assert list(recipe.homing) == ["beam", "lift"]
    assert recipe.homing["beam"].square_limit.given.to("mm") == 3
    assert recipe.home_at("lift", "lift").given.to("mm") == 410  # its own, not the group's
    assert recipe.home_at("beam", "left").given.to("mm") == -5


@pytest.mark.parametrize(
    ("groups", "expected"),
    [
        ("upper: [lift, beem]", [("unknown-axis", "beem")]),
        ("upper: [lift, left, beam]", [("named-twice", "beam")]),
        ("upper: [lift, all]", [("unknown-axis", "all")]),
        ("upper: [lift, table]\n  more: [upper, beam]", [("unknown-axis", "upper")]),
        ("lift: [table]", [("name-taken", "lift")]),
        ("beam: [table]", [("name-taken", "beam")]),
        ("all: [table]", [("bad-name", "all")]),
        ("upper: []", [("empty-list", "[]")]),
        ("upper: {lift: 3 mm}", [("wrong-type", "{lift: 3 mm}")]),
    ],
)
def test_what_is_wrong_with_a_group_is_found(bench, groups, expected):
    bench.machine("limits:", f"groups:\n  {groups}\nlimits:")
    assert bench.found("steps:\n  - dwell: 1 s\n") == expected


def test_a_group_is_no_axis_where_one_is_wanted(grouped):
    step = "expect: {axis: turning, position: 3 deg, within: 1 deg}"
    assert grouped.step_found(step) == [("unknown-axis", "turning")]


def test_a_group_with_half_a_pair_is_not_homed(bench):
    bench.machine("limits:", "groups:\n  some: [lift, left]\nlimits:")
    bench.machine("  beam: {towards: negative,", "  some: {towards: negative,")
    assert ("homed-by-half", "some") in bench.found("steps:\n  - dwell: 1 s\n")


def test_a_recipe_cannot_change_a_group_of_its_machine(grouped):
    found = grouped.found(STEPS, head=HEAD + "groups: {upper: [table]}\n")
    assert found == [("changes-the-machine", "table")]


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_step_homes_no_group_with_half_a_pair(bench, side):
    bench.machine("limits:", f"groups:\n  some: [lift, {side}]\nlimits:")
    assert bench.step_found("home: some") == [("homed-by-half", "some")]


LIFT_HOMING = "{towards: positive, using: home_switch, search: 20 mm/s, crawl: 2 mm/s, back_off: 6 mm, within: 450 mm,"


@pytest.mark.parametrize(("name", "groups"), [("upper", "groups: {upper: [lift]}\n"), ("lift", ""), ("all", "")])
def test_a_recipe_cannot_move_a_home_that_its_machine_declares_for_a_group(bench, name, groups):
    """Every limit of travel is counted from there."""
    bench.machine("limits:\n", "groups:\n  mine: [lift]\nlimits:\n")
    bench.machine("  lift: {towards", "  mine: {towards")
    head = HEAD + groups + f"homing:\n  {name}: {LIFT_HOMING} home_at: 510 mm, rest_at: 395 mm}}\n"
    if name == "lift":
        assert bench.found("steps:\n  - dwell: 1 s\n", head=head) == [("machine-widened", "510 mm")]
        assert bench.recipe("steps:\n  - dwell: 1 s\n", head=head.replace("510", "410")).homing["lift"]
    elif name == "upper":
        found = bench.found("steps:\n  - dwell: 1 s\n", head=head)
        assert found[0] == ("named-twice", "upper")
    else:  # what stands under `all` holds for what has nothing of its own
        bench.machine("square_limit: 3 mm,", "square_limit: 3 mm,")
        head = head.replace("rest_at", "square_limit: 3 mm, rest_at")
        recipe = bench.recipe("steps:\n  - dwell: 1 s\n", head=head)
        assert str(recipe.homing["lift"].home_at.text) == "410 mm"


def test_of_two_groups_that_home_an_axis_neither_is_taken(bench):
    bench.machine("limits:\n", "groups:\n  one: [lift]\n  two: [lift, table]\nlimits:\n")
    bench.machine("  lift: {towards", f"  two: {LIFT_HOMING} home_at: 400 mm, rest_at: 395 mm}}\n  one: {{towards")
    assert ("named-twice", "one") in bench.found("steps:\n  - dwell: 1 s\n")
