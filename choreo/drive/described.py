"""
The drives of described dialects: every verb as a conversation of the dialect's own messages.

What may be asked again: reads, and commands whose meaning is a state (enabled, brake applied, this setting has this
value). `move` and `preload` as well, because their targets are absolute: sent twice they ask for the same place, and a
second load takes the place of the first. Where loads queue, add or are refused, a load is sent once. A fault is reset
once: a second reset could clear another fault than the one that somebody looked at.
"""

from collections.abc import Mapping

from choreo.drive.conversation import Ask, Conversation, Tell
from choreo.drive.exchange import AGAIN, Exchange
from choreo.drive.verbs import DriveEvent, Latch, Status
from choreo.frame import Frame
from choreo.wire.described import DescribedDialect, Means
from choreo.wire.words import Setting


class DescribedDrive:
    """A `choreo.drive.verbs.Drive`. Raises RecipeError for a verb that the dialect does not describe."""

    def __init__(self, dialect: DescribedDialect, node: int) -> None:
        self._do = Exchange(dialect, node)
        self._dialect = dialect
        self.node = node
        self.dialect = dialect.name
        self.lane = self._do.lane
        self.event_ids = tuple(sorted({shape.base + node for shape in dialect.frames.events.values()}))
        self.broadcast_starts = dialect.frames.requests["start"].broadcast != "never"
        self.can_latch = dialect.can_latch
        self._poll = self._do.position_ask()

    def poll_position(self) -> Ask:
        """The position, in counts; always the same `Ask`, because polling is the hot path."""
        return self._poll

    def read_position(self) -> Conversation[int]:
        """The position, in counts."""
        position: int = (yield self._poll).value
        return position

    def echo_ask(self, count: int) -> Ask:
        """A counted exchange. Asked once: a repetition would hide the loss that it is there to show."""
        sent = count % self._dialect.counter_modulus
        what = f"echo {sent}"
        answered = self._do.answer("echo", what)

        def decode(frame: Frame) -> int | None:
            values = answered(frame)
            return sent if values is not None and values["count"] == sent else None

        return Ask(self._do.frame("echo", self.node, count=sent), self.lane, decode, what)

    def echo(self, count: int) -> Conversation[int]:
        """A counted exchange; returns the count."""
        came_back: int = (yield self.echo_ask(count)).value
        return came_back

    def status(self) -> Conversation[Status]:
        """The drive's own word about itself."""
        return self._do.status()

    def read_inputs(self) -> Conversation[Mapping[str, bool]]:
        """The drive's inputs by the dialect's names."""
        values = yield from self._do.run("read_inputs", "read inputs")
        return {name: bool(value) for name, value in values.items()}

    def read_setting(self, name: Setting) -> Conversation[int]:
        """The raw value of a setting."""
        number = self._do.number(name)
        values = yield from self._do.run("read_setting", f"read {name}", {"number": number}, fits=("number",))
        return values["value"]

    def write_setting(self, name: Setting, raw: int) -> Conversation[None]:
        """Reads first and writes only what differs (practice.md P23), then proves it by reading back (P37)."""
        if (yield from self.read_setting(name)) == raw:
            return
        what, number = f"set {name} to {raw} (raw)", self._do.number(name)
        answer = yield from self._do.run("write_setting", what, {"number": number, "value": raw}, fits=("number",))
        self._do.repeats(answer, what, {"value": raw})
        found = yield from self.read_setting(name)
        if found != raw:
            help = "The drive may clip or ignore the value; compare it with the drive's own range."
            raise self._do.fault(f"{name} reads back {found} (raw); {raw} was written", "setting-not-taken", help)

    def enable(self) -> Conversation[None]:
        """Power; returns when the drive says that it is enabled. Raises MachineFault when it is in fault instead."""
        yield from self._do.run("enable", "enable")
        yield from self._do.until(lambda status: status.enabled, "enabled", without_fault=True)

    def disable(self) -> Conversation[None]:
        """Take power away; returns when the drive says that it is off."""
        yield from self._do.run("disable", "disable")
        yield from self._do.until(lambda status: not status.enabled, "disabled")

    def set_brake(self, applied: bool) -> Conversation[None]:
        """Apply or release the brake; returns when the drive says so, or on its answer where it cannot say."""
        message, state = ("apply_brake", "applied") if applied else ("release_brake", "released")
        yield from self._do.run(message, message.replace("_", " "))
        if self._do.says("brake_applied"):
            # A brake must be applied on a drive in fault too: that is what it is for.
            state = f"showing its brake {state}"
            yield from self._do.until(lambda status: status.brake_applied is applied, state, without_fault=not applied)

    def reset_fault(self) -> Conversation[None]:
        """Reset a fault; returns when the drive says that there is none."""
        yield from self._do.run("reset_fault", "reset fault", again=0)
        yield from self._do.until(lambda status: not status.fault, "free of faults")

    def arm_latch(self) -> Conversation[None]:
        """Forget any captured edge and capture the next one."""
        yield from self._do.run("arm_latch", "arm latch")

    def read_latch(self) -> Conversation[Latch]:
        """What was captured since `arm_latch`."""
        values = yield from self._do.run("read_latch", "read latch")
        return Latch(values["position"] if values["captured"] else None)

    def home_at(self, edge_counts: int) -> Conversation[None]:
        """Declare where the captured edge lies, in counts."""
        what = f"declare the home edge at {edge_counts} counts"
        answer = yield from self._do.run("home", what, {"edge": edge_counts})
        self._do.repeats(answer, what, {"edge": edge_counts})

    def move(self, target_counts: int, speed_raw: int) -> Conversation[None]:
        """Start an absolute move at once."""
        yield from self._send_target("move", target_counts, speed_raw, AGAIN)

    def preload(self, target_counts: int, speed_raw: int) -> Conversation[None]:
        """Load an absolute move; returns when the drive has proved that it holds it (practice.md P4)."""
        again = AGAIN if self._dialect.loads.second_load == "replaces" else 0
        yield from self._send_target("preload", target_counts, speed_raw, again)
        if self._dialect.frames.replies["preload"].means is Means.RECEIVED:
            yield from self._do.until(lambda status: status.loaded is True, "loaded", without_fault=True)

    def _send_target(self, message: str, target: int, speed: int, again: int) -> Conversation[None]:
        values = {"target": target}
        if "speed" in self._dialect.frames.requests[message].layout.ranges:
            values["speed"] = speed
        else:  # the drive takes the speed of a move from its setting
            yield from self.write_setting(Setting.SPEED, speed)
        what = f"{message} to {target} counts at speed {speed} (raw)"
        answer = yield from self._do.run(message, what, values, again=again)
        self._do.repeats(answer, what, values)

    def clear_load(self) -> Conversation[None]:
        """Empty the drive of any load; returns when it has said so."""
        yield from self._do.run("clear_load", "clear load")
        if self._dialect.frames.replies["clear_load"].means is not Means.DONE and self._do.says("loaded"):
            yield from self._do.until(lambda status: not status.loaded, "without a load")

    def start(self) -> Tell:
        """The start trigger; confirmed, so that it is known when it left (practice.md P7)."""
        return Tell(self._to_all("start"), "start", confirm=True)

    def stop_all(self) -> Tell:
        """The controlled stop of every drive; of this node alone where the dialect cannot broadcast it."""
        return Tell(self._to_all("stop"), "stop all")

    def quick_stop_all(self) -> Tell:
        """The quick stop of every drive; of this node alone where the dialect cannot broadcast it."""
        return Tell(self._to_all("quick_stop"), "quick stop all")

    def stop(self) -> Tell:
        """The controlled stop of this node; the broadcast where the dialect has no other."""
        return Tell(self._to_one("stop"), "stop")

    def quick_stop(self) -> Tell:
        """The quick stop of this node; the broadcast where the dialect has no other."""
        return Tell(self._to_one("quick_stop"), "quick stop")

    def _to_all(self, message: str) -> Frame:
        alone = self._dialect.frames.requests[message].broadcast == "never"
        return self._do.frame(message, self.node if alone else None)

    def _to_one(self, message: str) -> Frame:
        only = self._dialect.frames.requests[message].broadcast == "only"
        return self._do.frame(message, None if only else self.node)

    def cut_power(self) -> list[Tell]:
        """Brake and power off at once, unanswered: for an axis that runs away (practice.md P14)."""
        names = [name for name in ("apply_brake", "disable") if name in self._dialect.frames.requests]
        return [Tell(self._do.frame(name, self.node), name.replace("_", " ")) for name in names]

    def decode_event(self, frame: Frame) -> DriveEvent | None:
        """What an unasked frame says; None when it is no event of this drive's."""
        decoded = self._dialect.decode(frame)
        if decoded is None or decoded.node != self.node or decoded.message not in self._dialect.frames.events:
            return None
        kind, values = decoded.message, decoded.values
        if kind == "inputs":
            packed = sum(on << place for place, on in enumerate(values.values()))
            return DriveEvent(self.node, kind, packed, ", ".join(name for name, on in values.items() if on))
        value = values.get(kind, 0)
        return DriveEvent(self.node, kind, value, self._do.fault_text(value) if kind == "fault" else "")
