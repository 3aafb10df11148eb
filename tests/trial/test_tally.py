"""The tally on endings that are made up: groups, worst figures, what must never happen, exit codes, a flat size."""

import pickle
from fractions import Fraction

from choreo.errors import Exit
from choreo.trial.conduct import Trial
from choreo.trial.ending import AxisStop, Ending, RunSkew, StepTime
from choreo.trial.tally import CASES, Tally
from choreo.trial.words import trial_lines, verdict


def ending(seed, exit=0, **more):
    return Ending(seed, exit, more.pop("headline", "done" if not exit else f"stopped {seed}"), **more)


def stopped(seed, true=1.0, seen=1.0, proven=True, step="9.3 (1 of 5)", **more):
    stops = (AxisStop("lift", "mm", true, seen, proven, True),)
    return ending(seed, 3, rule="pair-skew", axis="lift", step=step, what="move", stops=stops, **more)


def tally_of(*endings):
    tally = Tally()
    for one in endings:
        tally.add(one)
    return tally


def trial_of(tally, asked=None, interrupted=False):
    return Trial("T", "M", False, True, asked or tally.runs, 0, tally, interrupted)


def test_turns_of_a_repeat_are_one_group_and_the_first_seed_stands_for_it():
    tally = tally_of(ending(0), stopped(1), stopped(2, step="9.3 (4 of 5)"), stopped(3, step="9.4 (1 of 5)"), ending(4))
    assert [(group.runs, group.step, group.seed) for group in tally.in_order()] == [
        (2, "", 0), (2, "9.3", 1), (1, "9.4", 3)
    ]  # fmt: skip


def test_the_worst_keeps_the_first_seed_that_had_it():
    tally = tally_of(stopped(1, true=2.0), stopped(2, true=5.0, seen=0.5), stopped(3, true=5.0, proven=False))
    lift = tally.stopping["lift"]
    assert (lift.stops, lift.unproven, lift.true, lift.seen) == (3, 1, lift.true, lift.seen)
    assert (lift.true.value, lift.true.seed) == (5.0, 2)
    assert (lift.seen.value, lift.seen.seed) == (1.0, 1)


def test_an_axis_that_was_never_read_has_no_figure():
    assert tally_of(stopped(1, true=None, seen=None)).stopping["lift"].true is None


def test_skews_and_timeouts():
    def run(seed, skew, taken):
        return ending(
            seed,
            skews=(RunSkew("beam", "mm", skew, None, Fraction(3, 2), Fraction(20)),),
            steps=(StepTime("2", "home", taken, 100),),
        )

    tally = tally_of(run(0, 0.5, 30), run(1, 1.25, 90), run(2, 0.75, 60))
    assert (tally.skews["beam"].true.value, tally.skews["beam"].true.seed) == (1.25, 1)
    assert (tally.closest["2"].ratio, tally.closest["2"].seed) == (0.9, 1)
    assert set(tally.seeds()) == {0, 1}


def test_exit_codes():
    fine = tally_of(ending(0), stopped(1))
    assert fine.exit() is Exit.DONE
    assert fine.exit(interrupted=True) is Exit.OPERATOR
    assert tally_of(ending(0), stopped(1, damage=("the lift is broken",))).exit() is Exit.STOPPED
    assert tally_of(ending(0, restless=("lift",))).exit() is Exit.STOPPED
    assert tally_of(ending(0), ending(1, 2, rule="simulation-file")).exit() is Exit.REFUSED
    bug = tally_of(ending(0), ending(1, 70, rule="internal", damage=("x",)))
    assert bug.exit(interrupted=True) is Exit.INTERNAL
    died = tally_of(ending(0))
    died.lose(1, -9)
    assert died.exit() is Exit.STOPPED
    broke = tally_of(ending(0))
    broke.break_off(1, "ValueError")
    assert broke.exit() is Exit.INTERNAL


def test_what_must_never_happen_is_told_with_its_seed():
    tally = tally_of(
        ending(0), stopped(7, damage=("the lift ran into its buffer",)), stopped(8, restless=("lift",)),
        ending(9, 70, rule="internal", headline="a bug in choreo: KeyError"),
    )  # fmt: skip
    tally.lose(10, -11)
    text = "\n".join(trial_lines(trial_of(tally), lambda seed: f"repeat {seed}", 100))
    assert "DAMAGE to the machine: 1 run\n  seed 7: the lift ran into its buffer" in text
    assert "MOVED after the end though said to stand: 1 run\n  seed 8: lift" in text
    assert "A bug in choreo: 1 run\n  seed 9: a bug in choreo: KeyError" in text
    assert "A process died: 1 run\n  seed 10: its process ended with exit code -11" in text
    assert "  repeat 7" in text
    assert "1 run damaged the machine" in verdict(trial_of(tally))


def test_a_trial_that_was_interrupted_at_once():
    lines = list(trial_lines(trial_of(Tally(), asked=10, interrupted=True), str, 80))
    assert lines[0] == "Trial of T: no run came to its end"
    assert lines[-1] == "interrupted after 0 of 10 runs: 0 done"


def test_its_size_does_not_grow_with_the_number_of_runs():
    """Alike runs, each with damage: the cases that are kept in words are so many and no more."""

    def size(runs):
        return len(pickle.dumps(tally_of(*(stopped(1000 + seed, damage=("x",)) for seed in range(runs)))))

    assert size(CASES * 50) - size(CASES * 5) < 50
