"""
What choreo asks of each message of a described dialect.

The class of a message is written in the dialect file, where a reviewer sees it, and must be the one listed here: the
guard decides by it.
"""

from typing import NamedTuple

from choreo.wire.words import FrameClass


class MessageRule(NamedTuple):
    """
    `request` and `reply` are the fields that must be there, `may_*` those that may. A reply with `any_bits` may have
    single bits of any name (a drive's inputs).
    """

    frame_class: FrameClass
    request: tuple[str, ...] = ()
    reply: tuple[str, ...] = ()
    may_request: tuple[str, ...] = ()
    may_reply: tuple[str, ...] = ()
    needed: bool = True
    needs_reply: bool = True
    may_broadcast: bool = False
    must_broadcast: bool = False
    any_bits: bool = False


_STATUS = ("homed", "loaded", "brake_applied", "in_position", "position")

#: Every message that choreo knows, by name.
MESSAGES: dict[str, MessageRule] = {
    "echo": MessageRule(FrameClass.NEUTRAL, ("count",), ("count",)),
    "read_position": MessageRule(FrameClass.NEUTRAL, (), ("position",)),
    "status": MessageRule(FrameClass.NEUTRAL, (), ("enabled", "moving", "fault"), may_reply=_STATUS),
    "read_inputs": MessageRule(FrameClass.NEUTRAL, needed=False, any_bits=True),
    "read_setting": MessageRule(FrameClass.NEUTRAL, ("number",), ("value",), may_reply=("number",)),
    "write_setting": MessageRule(
        FrameClass.SETS, ("number", "value"), may_reply=("number", "value"), needs_reply=False
    ),
    "arm_latch": MessageRule(FrameClass.NEUTRAL, needed=False),
    "read_latch": MessageRule(FrameClass.NEUTRAL, (), ("captured", "position"), needed=False),
    "home": MessageRule(FrameClass.SETS, ("edge",), may_reply=("edge",), needed=False),
    "enable": MessageRule(FrameClass.ENABLES, needs_reply=False),
    "disable": MessageRule(FrameClass.DISABLES, needs_reply=False),
    "release_brake": MessageRule(FrameClass.ENABLES, needed=False, needs_reply=False),
    "apply_brake": MessageRule(FrameClass.DISABLES, needed=False, needs_reply=False),
    "reset_fault": MessageRule(FrameClass.RESETS, needed=False, needs_reply=False),
    "move": MessageRule(FrameClass.MOVES, ("target",), may_request=("speed",), may_reply=("target", "speed")),
    "preload": MessageRule(FrameClass.LOADS, ("target",), may_request=("speed",), may_reply=("target", "speed")),
    "clear_load": MessageRule(FrameClass.CLEARS),
    "start": MessageRule(FrameClass.STARTS, needs_reply=False, may_broadcast=True, must_broadcast=True),
    "stop": MessageRule(FrameClass.STOPS, needs_reply=False, may_broadcast=True),
    "quick_stop": MessageRule(FrameClass.STOPS, needs_reply=False, may_broadcast=True),
    "set_output": MessageRule(FrameClass.SWITCHES, ("output", "on"), may_reply=("output", "on"), needed=False),
}


class EventRule(NamedTuple):
    """The fields that an event must have, and may have. With `any_bits` it may have single bits of any name."""

    needs: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    any_bits: bool = False


#: What a drive may say unasked.
EVENTS: dict[str, EventRule] = {
    "fault": EventRule(("fault",)),
    "boot": EventRule(),
    "position": EventRule(("position",)),
    "inputs": EventRule(any_bits=True),
    "in_position": EventRule(),
    "homed": EventRule(),
    "status": EventRule(may=("enabled", "moving", "fault", "state", *_STATUS)),
}

#: Messages that are one frame each, whatever the drive: nothing may come between.
SINGLE = ("echo", "start", "stop", "quick_stop")

#: Messages that are of use only together.
LATCH = ("arm_latch", "read_latch", "home")
BRAKE = ("release_brake", "apply_brake")
TOGETHER = (LATCH, BRAKE)
