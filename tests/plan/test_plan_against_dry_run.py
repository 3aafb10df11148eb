"""
What is predicted against what the simulated gantry takes. Its drives plan their motion by other means (ruckig) and its
bus counts every bit, so this is no comparison of the program with itself.
"""

from pathlib import Path

from choreo.api import check, dry_run

RECIPE = Path(__file__).parents[2] / "recipes" / "kiln_gantry" / "home_and_test.yaml"


def test_predictions_are_rather_long_than_short_and_close_where_motion_decides(tmp_path):
    """practice.md P31: taken = predicted + lag tail + latch + up to one poll + settle; a prediction has all of it."""
    plan = check(RECIPE).plan
    result = dry_run(RECIPE, out=tmp_path / "run")
    taken = {entry.step.path: entry.taken_ns for entry in result.summary.steps}
    steps = (*plan.steps, *plan.closing)
    assert len(taken) == len(steps)
    for step in steps:
        assert taken[step.path] <= step.predicted_ns + plan.poll_ns, step.path
        assert taken[step.path] < step.timeout_ns, step.path
    homed: set[tuple[int, ...]] = set()
    for step in steps:
        known_way = step.verb in ("move", "wait_for_position")
        if step.verb == "home":
            known_way = step.action.axes in homed
            homed.add(step.action.axes)
        if known_way and step.predicted_ns > 2_000_000_000:
            assert taken[step.path] > 0.85 * step.predicted_ns, step.path
    assert len(homed) == 3
