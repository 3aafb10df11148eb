"""
From a dialect file to a `DriveDialect`: sections and messages. RecipeErrors name the place.

What must hold between the parts of a file (no two messages alike on the wire, every verb complete) is proved by the
checker of dialects; here only what a drive cannot speak without is asked for.
"""

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path

import choreo
from choreo_sim.dialect.form import Form
from choreo_sim.dialect.identifiers import Range, ranges_of
from choreo_sim.dialect.model import NO_BROADCAST, DriveDialect, LoadRules, Message, Speech, WatchdogRule
from choreo_sim.dialect.parts import defined_of
from choreo_sim.dialect.places import ByteOrder
from choreo_sim.dialect.scales import SettingRule, rule_of
from choreo_sim.yaml_tree import Node, read_text, tree_of

#: Where the dialects that ship lie; read as data only.
SHIPPED = Path(choreo.__file__).parent / "wire" / "dialects"
HIGHEST_NODE = 1 << 20
OWN_SPEED = "move_speed"  # the name of a speed that is no setting
RAMPS = ("acceleration", "quick_stop")  # settings that can decelerate a stop


def read_dialect(path: Path) -> DriveDialect:
    """The dialect of a file; RecipeError with its place for what a simulated drive cannot speak."""
    return _dialect_of(read_text(path), path.name)


@lru_cache(maxsize=16)
def _dialect_of(text: str, name: str) -> DriveDialect:
    root = tree_of(text, name)
    return _Sections(root).dialect()


class _Sections:
    """The sections of one file while they are read."""

    def __init__(self, root: Node) -> None:
        self.root = root
        self.extended, self.ranges = ranges_of(root.need("identifiers"))
        self.order: ByteOrder = "little" if root.need("byte_order").one_of(("little", "big")) == "little" else "big"
        self.checksums = defined_of(root.need("checksums")) if "checksums" in root.mapping() else {}
        self.exchanges: list[Message] = []

    def dialect(self) -> DriveDialect:
        root = self.root
        nodes = root.need("nodes")
        for name, node in root.need("messages").mapping().items():
            self.exchanges += self._message(name, node)
        messages = {message.name: message for message in self.exchanges if message.part == 1}
        settings = [rule_of(name, node) for name, node in self._entries("settings").items()]
        scale = [_scale_setting(name, node) for name, node in self._entries("scale_settings").items()]
        move_speed, own_speed = self._move_speed(settings)
        timing = root.need("timing")
        position = self._entries("position")
        stops = root.need("stops")
        broadcast = nodes.mapping().get("broadcast")
        dialect = DriveDialect(
            name=root.need("name").text(),
            nodes=(nodes.need("from").integer(0, HIGHEST_NODE), nodes.need("to").integer(0, HIGHEST_NODE)),
            broadcast=broadcast.integer(0, HIGHEST_NODE) if broadcast is not None else NO_BROADCAST,
            extended=self.extended,
            messages=messages,
            exchanges=tuple(self.exchanges),
            error_reply=self._speech(root.need("error_reply")) if "error_reply" in root.mapping() else None,
            errors=self._codes("errors"),
            event_speech={name: self._event(node) for name, node in self._entries("events").items()},
            faults=self._codes("faults"),
            settings={rule.number: rule for rule in settings},
            loads=_loads(root.need("loads")),
            move_speed=move_speed,
            own_speed=own_speed,
            stop_ramp=stops.need("stop").need("ramp").one_of(RAMPS),
            quick_stop_ramp=stops.need("quick_stop").need("ramp").one_of(RAMPS),
            jerk_limited=root.need("profile").one_of(("jerk_limited", "trapezoid")) == "jerk_limited",
            position_is=position["is"].one_of(("actual", "demanded")) if "is" in position else "actual",
            position_message=position["message"].one_of(messages) if "message" in position else "read_position",
            states=self._states(),
            permanent=self._permanent(),
            scale_settings={rule.number: rule for rule in scale},
            watchdog=self._watchdog(messages),
            reply_within_ns=timing.need("reply_within").time_ns(),
            gap_ns=timing.mapping()["gap"].time_ns() if "gap" in timing.mapping() else 0,
            quiet_ns=_quiet(timing, messages),
            cycle_ns=timing.need("cycle").time_ns(),
            latch_ns=timing.need("latch").time_ns(),
        )
        self._check(dialect)
        return dialect

    def _entries(self, section: str) -> Mapping[str, Node]:
        """The entries of a section that may be left out."""
        found = self.root.mapping().get(section)
        return found.mapping() if found is not None else {}

    def _range(self, node: Node) -> Range:
        return self.ranges[node.one_of(self.ranges)]

    def _form(self, node: Node) -> Form:
        return Form.of(node, self.order, self.checksums)

    def _speech(self, node: Node) -> Speech:
        return Speech(self._range(node.need("on")), self._form(node))

    def _event(self, node: Node) -> Speech:
        every = node.mapping().get("every")
        if every is not None and every.time_ns() <= 0:
            raise every.error("a period must be above zero")
        found = self._speech(node)
        return Speech(found.range, found.form, every.time_ns()) if every is not None else found

    def _codes(self, section: str) -> dict[str, int]:
        codes: dict[str, int] = {}
        for code, text in self._entries(section).items():
            codes[text.text()] = Node(text.place, code).integer(0, (1 << 64) - 1)
        return codes

    def _message(self, name: str, node: Node) -> list[Message]:
        """The frames of one verb, usually one."""
        given = node.mapping()
        if "frames" not in given:
            return [self._exchange(name, node, node, 1, 1)]
        if "request" in given or "reply" in given:
            raise given["frames"].error("`frames` stand in place of `request` and `reply`")
        frames = given["frames"].items()
        if not frames:
            raise given["frames"].error("at least one frame is needed here")
        return [self._exchange(name, node, frame, part, len(frames)) for part, frame in enumerate(frames, 1)]

    def _exchange(self, name: str, node: Node, frame: Node, part: int, parts: int) -> Message:
        given = node.mapping()
        request = frame.need("request")
        reply = frame.mapping().get("reply")
        means = reply.mapping().get("means") if reply is not None else None
        return Message(
            name=name,
            frame_class=node.need("class").text(),
            broadcast=given["broadcast"].one_of(("never", "allowed", "only")) if "broadcast" in given else "never",
            request_range=self._range(request.need("on")),
            request=self._form(request),
            answer=self._speech(reply) if reply is not None else None,
            means=means.one_of(("received", "accepted", "done")) if means is not None else "done",
            part=part,
            parts=parts,
            gap_ns=given["gap"].time_ns() if "gap" in given else 0,
            within_ns=given["within"].time_ns() if "within" in given else 0,
            abort=given["abort"].one_of(self.root.need("messages").mapping()) if "abort" in given else "",
        )

    def _move_speed(self, settings: list[SettingRule]) -> tuple[str, SettingRule | None]:
        """The name under which `DriveDialect.setting` finds the speed of moves, and its scale where it is its own."""
        names = [rule.name for rule in settings]
        node = self.root.mapping().get("move_speed")
        if node is None:
            return ("speed" if "speed" in names else ""), None
        if "setting" in node.mapping():
            return node.need("setting").one_of(names), None
        return OWN_SPEED, rule_of(OWN_SPEED, node, number=-1)

    def _states(self) -> dict[int, frozenset[str]]:
        return {
            Node(flags.place, code).integer(0, (1 << 64) - 1): frozenset(flag.text() for flag in flags.items())
            for code, flags in self._entries("states").items()
        }

    def _permanent(self) -> frozenset[str]:
        node = self.root.mapping().get("permanent_settings")
        names = list(self._entries("settings"))
        return frozenset(entry.one_of(names) for entry in node.items()) if node is not None else frozenset()

    def _watchdog(self, messages: Mapping[str, Message]) -> WatchdogRule | None:
        node = self.root.mapping().get("watchdog")
        if node is None:
            return None
        fed = node.mapping().get("fed_by")
        some = None if fed is None or fed.value == "any" else frozenset(name.one_of(messages) for name in fed.items())
        within = node.need("within")
        if within.time_ns() <= 0:
            raise within.error("a watchdog needs a time above zero")
        return WatchdogRule(within.time_ns(), some, node.need("then").one_of(("stop", "quick_stop", "disable")))

    def _check(self, dialect: DriveDialect) -> None:
        """What a drive could not make sense of when it matters."""
        for message in dialect.exchanges:
            if "speed" in message.request.names and not dialect.move_speed:
                place = self.root.need("messages").need(message.name)
                raise place.error(
                    "it carries a speed, and neither `move_speed` nor a setting `speed` says what one means"
                )
        for name, message in dialect.messages.items():
            if message.broadcast != "never" and dialect.broadcast == NO_BROADCAST:
                place = self.root.need("messages").need(name).need("broadcast")
                raise place.error("the dialect has no broadcast number: `nodes` does not say one")


def _scale_setting(name: str, node: Node) -> SettingRule:
    """A setting that says what a count is. It has no range of its own: nobody writes it."""
    entries = dict(node.mapping())
    entries.setdefault("from", Node(node.place, "0"))
    entries.setdefault("to", Node(node.place, str((1 << 63) - 1)))
    return rule_of(name, Node(node.place, entries))


def _quiet(timing: Node, messages: Mapping[str, Message]) -> dict[str, int]:
    node = timing.mapping().get("quiet")
    return {name: entry.time_ns() for name, entry in node.only(messages).items()} if node is not None else {}


def _loads(node: Node) -> LoadRules:
    return LoadRules(
        second_load=node.need("second_load").one_of(("replaces", "queues", "adds", "refused")),
        at_trigger=node.need("at_trigger").one_of(("consumed", "kept")),
        cleared_by=frozenset(entry.text() for entry in node.need("cleared_by").items()),
        survives=frozenset(entry.text() for entry in node.need("survives").items()),
        relative_to=node.need("relative_to").one_of(("never", "target", "demand", "actual")),
    )
