"""`bus: {adapter: ...}`: a slow adapter makes the stop late, and the check of a pair knows it (practice.md P9)."""

from fractions import Fraction

from choreo.api import check
from run.machine import GANTRY


def checked(tmp_path, adapter):
    machine = (GANTRY / "machine.yaml").read_text(encoding="utf-8")
    assert "poll: 50 Hz" in machine
    place = machine.index("poll: 50 Hz")
    indent = machine[machine.rindex("\n", 0, place) : place]
    (tmp_path / "machine.yaml").write_text(f"{machine[:place]}adapter: {adapter}{indent}{machine[place:]}")
    recipe = tmp_path / "home_and_test.yaml"
    recipe.write_text((GANTRY / "home_and_test.yaml").read_text(encoding="utf-8"))
    return check(recipe, pace=Fraction(1))


def test_a_quick_adapter_changes_time_outs_and_refuses_nothing(tmp_path):
    plain = check(GANTRY / "home_and_test.yaml").plan
    found = checked(tmp_path, "0.2 ms")
    assert found.ok, found.findings
    assert found.plan.adapter_ns == 200_000
    assert found.plan.axes[0].reply_timeout_ns >= plain.axes[0].reply_timeout_ns


def test_a_slow_one_lets_the_beam_rack_too_far(tmp_path):
    found = checked(tmp_path, "30 ms")
    assert "pair-reaction" in {finding.rule for finding in found.findings}
    assert not found.ok


def test_it_needs_a_time(tmp_path):
    found = checked(tmp_path, "4 mm")
    assert not found.ok
    assert any("4 mm" in finding.headline for finding in found.findings), found.findings
