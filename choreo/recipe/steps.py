"""
The steps: one class a verb, chosen by the one key that is a verb. The value of the verb's key is the attribute of that
name (`step.home`, `step.dwell`); `label`, `timeout` and `note` may stand beside every verb.

*Names* are groups (axis, pair or `all`), always a tuple, also where the recipe gives one name.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from choreo.recipe.base import Part
from choreo.recipe.flow_steps import FLOW
from choreo.recipe.input_steps import MoveUntilStep, SetOutputStep, WaitForStep
from choreo.recipe.scalars import (
    NAMES_SCHEMA,
    Acceleration,
    Count,
    Distance,
    Jerk,
    Name,
    Names,
    Percent,
    Position,
    Reader,
    Speed,
    Time,
    kind_of,
    read_names,
    whole,
    wrong,
)
from choreo.recipe.step import Step as Step  # noqa: PLC0414  known from here, too
from choreo.recipe.target import Target as Target  # noqa: PLC0414
from choreo.text.tree import Branch, Items, Text

_TO = Text("to")
_BY = Text("by")
_POSITION = Text("position")
_BY_GROUP = Text("by_group")


def _read_order(value: Any) -> tuple[tuple[Text, ...], ...]:
    if not isinstance(value, Items):
        help = "Write `[lift, [beam, carriage]]`: one after the other, what stands in one inner list together."
        raise wrong(
            "wrong-type", f"must be a list of names and of lists of names, and {kind_of(value)} stands here", help
        )
    if not value:
        raise wrong("empty-list", "names nothing", "Name at least one axis or pair.")
    return tuple(read_names(stage) for stage in value)


_ORDER_SCHEMA = {"type": "array", "items": NAMES_SCHEMA, "minItems": 1}
#: Stages of groups, one after the other: `[lift, [beam, carriage]]`.
Order = Annotated[tuple[tuple[Text, ...], ...], Reader(_read_order, _ORDER_SCHEMA)]


class LinkCheck(Part):
    """Counted exchanges with each axis' node."""

    axes: Names
    exchanges: Annotated[Count, whole(1, 1_000_000)]


class LinkCheckStep(Step):
    """`link_check: {axes: all, exchanges: 300}`."""

    verb = "link_check"
    link_check: LinkCheck


class Settings(Part):
    """Settings of a drive; what is not named stays as it is."""

    speed: Speed | None = None
    acceleration: Acceleration | None = None
    jerk: Jerk | None = None
    quick_stop: Acceleration | None = None
    following_error: Distance | None = None
    torque_limit: Percent | None = None


class ConfigureStep(Step):
    """`configure: {beam: {speed: 250 mm/s, acceleration: 800 mm/s^2}}`: by group."""

    verb = "configure"
    configure: dict[Name, Settings]


class EnableStep(Step):
    """`enable: all`: power, then brake released, then a look for sag."""

    verb = "enable"
    enable: Names


class DisableStep(Step):
    """`disable: [lift]`: brake, then power off."""

    verb = "disable"
    disable: Names


class HomeStep(Step):
    """`home: beam`: as the machine's `homing` says; a pair together."""

    verb = "home"
    home: Names


class Targets(Part):
    """What a move moves: `by_group`, or the groups of a named position (`to: park`), never both."""

    position: Name | None = None
    by_group: dict[Name, Target] = Field(default_factory=dict)

    @classmethod
    def arranged(cls, value: Any) -> Any:
        """`to` beside the groups is the name of a position; everything else is a group."""
        if not isinstance(value, Branch):
            help = "Write `{beam: {to: 100 mm}}`, or `{to: park}` with a position of that name."
            raise wrong("wrong-type", f"must say what moves where, and {kind_of(value)} stands here", help)
        if isinstance(value.get(_BY), Text):
            help = "Write `{beam: {by: 100 mm}}`; `to` alone takes the name of a position."
            raise wrong("axis-missing", "does not say which axis moves `by` a distance", help)
        if not value:
            raise wrong("empty-mapping", "moves nothing", "Name at least one axis or pair.")
        if _TO not in value:
            return value.like({_BY_GROUP: value})
        groups = value.like({key: target for key, target in value.items() if key != _TO})
        return value.like({_POSITION: value[_TO], _BY_GROUP: groups})


class PreloadStep(Step):
    """`preload: {beam: {by: $stroke}}`: loads moves that wait for the trigger. With `arrive`, all end together."""

    verb = "preload"
    preload: Targets
    speed: Speed | None = None
    arrive: Literal["together"] | None = None


class TriggerStep(Step):
    """`trigger: [beam, carriage]`: the start; the groups that must be loaded, no more and no fewer."""

    verb = "trigger"
    trigger: Names


class WaitForPosition(Part):
    """Each axis within `within` of its target for `settle` (written `for`) without a break."""

    axes: Names
    within: Distance
    settle: Time = Field(alias="for")


class WaitForPositionStep(Step):
    """`wait_for_position: {axes: [beam], within: 0.05 mm, for: 60 ms}`."""

    verb = "wait_for_position"
    wait_for_position: WaitForPosition


class MoveStep(Step):
    """
    `move: {beam: {to: 100 mm}}`: preload, trigger and wait in one. With `order`, stages go one after the other; it
    names all that moves, each once. `within` and `settle` (written `for`) say when a stage has arrived.
    """

    verb = "move"
    move: Targets
    speed: Speed | None = None
    arrive: Literal["together"] | None = None
    order: Order | None = None
    within: Distance | None = None
    settle: Time | None = Field(None, alias="for")


class DwellStep(Step):
    """`dwell: 250 ms`: time passes, everything stays watched."""

    verb = "dwell"
    dwell: Time


class Expect(Part):
    """An axis stands where the recipe says."""

    axis: Name
    position: Position
    within: Distance


class ExpectStep(Step):
    """`expect: {axis: beam_left, position: 100 mm, within: 0.1 mm}`."""

    verb = "expect"
    expect: Expect


class RepeatStep(Step):
    """`repeat: 5` with `steps:` beside it."""

    verb = "repeat"
    repeat: Annotated[Count, whole(1, 1_000_000)]
    steps: tuple[Step, ...]

    @property
    def inside(self) -> tuple[Step, ...]:
        """Its steps."""
        return self.steps


#: Every verb, with the class of its step.
VERBS: dict[str, type[Step]] = {
    step.verb: step
    for step in (
        LinkCheckStep,
        ConfigureStep,
        EnableStep,
        DisableStep,
        HomeStep,
        PreloadStep,
        TriggerStep,
        WaitForPositionStep,
        MoveStep,
        DwellStep,
        ExpectStep,
        RepeatStep,
        WaitForStep,
        MoveUntilStep,
        SetOutputStep,
        *FLOW,
    )
}
