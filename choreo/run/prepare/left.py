"""
How a stopped run left the axes, from its journal: what a retreat goes on from (practice.md P17).

It is refused where the journal does not say enough: the run did not end through stopping, it was another machine or
another recipe, an axis was not proven to stand, or a drive may hold a load that the next start trigger would set off.
"""

from collections.abc import Iterator, Mapping
from pathlib import PurePath

from choreo.errors import RecipeError
from choreo.journal.reader import Journal, Record
from choreo.plan.model import AxisPlan, Left, Plan

RULE = "not-after-this"


def as_left(journal: Journal, plan: Plan) -> tuple[Left, ...]:
    """
    Every axis of `plan` as the run left it. The home of a pair is valid only if that of both sides is.

    Raises:
        RecipeError: there is nothing to go on from, or not for this machine.
    """
    _stopped(journal)
    differences = list(_differences(journal, plan))
    if differences:
        help = "A retreat goes with the recipe, the machine and the dialects of the run that was stopped, unchanged."
        raise RecipeError(f"the run was another one: {'; '.join(differences)}", rule=RULE, help=help)
    last = {record.fields["axis"]: record for record in journal.records if record.kind in ("at_rest", "unproven")}
    found = {axis.name: _left(axis, last.get(axis.name)) for axis in plan.axes}
    for pair in plan.pairs:
        sides = [plan.axes[index].name for index in pair.axes]
        if not all(found[side].home_valid for side in sides):
            found |= {side: _without_home(found[side]) for side in sides}
    return tuple(found[axis.name] for axis in plan.axes)


def _stopped(journal: Journal) -> None:
    if not journal.complete:
        help = "Nobody knows how its axes were left. Look at the machine, and begin with the recipe itself."
        raise RecipeError("the journal of the run was cut off before its end", rule=RULE, help=help)
    if next(journal.of("stopping"), None) is None:
        help = "A retreat is for a run that was stopped; after this one the recipe itself can be run again."
        raise RecipeError(f"the run ended {journal.records[-1].fields['outcome']}", rule=RULE, help=help)


def _differences(journal: Journal, plan: Plan) -> Iterator[str]:
    """What was other than now, in words: axes first, because they say most."""
    then = {axis.name: axis for axis in journal.axes}
    for axis in plan.axes:
        was = then.pop(axis.name, None)
        if was is None:
            yield f"it had no axis {axis.name}"
        elif (was.node, was.unit, was.counts_per_unit, was.pair) != (
            axis.node,
            axis.unit,
            axis.counts_per_unit,
            axis.pair,
        ):
            yield f"{axis.name} had another node, unit, scale or pair"
    yield from (f"it had an axis {name}" for name in then)
    was_set = journal.run.fields["parameters"]
    for name, value in plan.parameters.items():
        if was_set.get(name, value) != value:
            yield f"{name} was {was_set[name]}, and is {value} now"
    hashes = _by_name(journal.run.fields["hashes"])
    now = _by_name(plan.hashes)
    for name in sorted({*hashes, *now}):
        if name not in now:
            yield f"it used {name}"
        elif name not in hashes:
            yield f"it did not use {name}"
        elif hashes[name] != now[name]:
            yield f"{name} has been changed since"


def _by_name(hashes: Mapping[str, str]) -> dict[str, list[str]]:
    """By the name of the file alone: a folder may be called from elsewhere."""
    found: dict[str, list[str]] = {}
    for path, value in hashes.items():
        found.setdefault(PurePath(path.replace("\\", "/")).name, []).append(value)
    return {name: sorted(values) for name, values in found.items()}


def _left(axis: AxisPlan, record: Record | None) -> Left:
    fields = record.fields if record is not None else {}
    if record is None or record.kind == "unproven" or fields["counts"] is None or fields["energised"] is None:
        why = f" ({fields['why']})" if fields.get("why") else ""
        raise RecipeError(
            f"{axis.name} was not proven to stand after the stop{why}",
            rule=RULE,
            axis=axis.name,
            help="Nothing may move before somebody has seen that it stands, and why it could not be proven.",
        )
    if fields["load"] != "empty":
        raise RecipeError(
            f"the drive of {axis.name} may still hold a move: its load was left {fields['load']}",
            rule=RULE,
            axis=axis.name,
            help="The next start trigger would set it off. Switch the drive off and on, and home the axis anew.",
        )
    return Left(axis.index, fields["counts"], fields["home_valid"], fields["energised"], fields.get("fault") or 0)


def _without_home(left: Left) -> Left:
    return Left(left.axis, left.counts, False, left.energised, left.fault)
