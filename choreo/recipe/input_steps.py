"""Steps that look at inputs or switch outputs."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from choreo.recipe.base import Part
from choreo.recipe.inputs import Level
from choreo.recipe.scalars import Name, Position, Speed, kind_of, wrong
from choreo.recipe.step import Step
from choreo.recipe.target import Target
from choreo.text.tree import Branch, Text

_OWN_KEYS = (Text("until"), Text("between"))
_BY_GROUP = Text("by_group")


class Awaited(Part):
    """An input and the level that is waited for."""

    input: Name
    level: Level = Field(alias="is")


class WaitForStep(Step):
    """
    `wait_for: {input: guard_closed, is: on}`, with `timeout: 30 s` beside it: nothing goes on until the input reads so.

    The timeout is needed, because only you know how long a person or a valve may take. When it runs out, the run is
    stopped (exit code 3). The input is read as often as positions are polled (`bus: {poll: ...}`), and from a frame
    that the drive sends on its own where the dialect has one; a level counts when it has lasted for the input's
    `debounce`.
    """

    verb = "wait_for"
    wait_for: Awaited


class UntilMove(Part):
    """One axis or pair, how far it goes at the most, the input that ends its way, and where it may be found."""

    until: Awaited
    between: tuple[Position, Position] | None = None
    by_group: dict[Name, Target] = Field(default_factory=dict)

    @classmethod
    def arranged(cls, value: Any) -> Any:
        """Every key but `until` and `between` is an axis or a pair."""
        if not isinstance(value, Branch):
            help = "Write `{probe_axis: {by: -40 mm}, until: {input: probe, is: on}}`."
            raise wrong("wrong-type", f"must say what moves until when, and {kind_of(value)} stands here", help)
        groups = value.like({key: way for key, way in value.items() if key not in _OWN_KEYS})
        own: dict[Text, Any] = {key: way for key, way in value.items() if key in _OWN_KEYS}
        return value.like({**own, _BY_GROUP: groups})


class MoveUntilStep(Step):
    """
    `move_until: {probe_axis: {by: -40 mm, speed: 5 mm/s}, until: {input: probe, is: on}}`: goes until the input reads
    so, and `by` or `to` at the most.

    At the input the axis is stopped with its controlled stop; a pair is stopped at one moment, its skew watched all
    the while. Where the input was seen and where the axis came to rest stand in the journal and the report. With
    `between: [10 mm, 20 mm]` the place where it was seen must lie there.

    The way that ends without the input fails the run (rule until-not-reached, exit code 1), and so does an input that
    reads so before anything has moved (until-already): a probe that sticks would be found at once.

    The input is read as often as positions are polled: between two looks the axis goes on by poll period times speed,
    and by the drive's answering time and the input's `debounce` times speed. At 50 Hz and 5 mm/s that is 0.1 mm and a
    little; the place found is that much uncertain, and the axis comes to rest that much later, and its ramp. Where
    that is too coarse, go again slowly from a short way off.

    The place where the axis stands afterwards is known to the run and not to the check: a `by` that follows counts
    from where it came to rest, and the check bounds its path by the whole way. A `to` makes it certain again.
    """

    verb = "move_until"
    move_until: UntilMove
    speed: Speed | None = None


class SetOutputStep(Step):
    """
    `set_output: {clamp: on}`: switches declared outputs, each by its drive's own command.

    An output may move something that is no axis, so nothing is switched after a stop has begun: after a failure every
    output stays as it is, and the record of each axis says how.
    """

    verb = "set_output"
    set_output: dict[Name, Level]
