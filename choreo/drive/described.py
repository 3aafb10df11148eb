"""
The drives of described dialects: every verb as a conversation of the dialect's own messages.

What may be asked again: reads, and commands whose meaning is a state (enabled, brake applied, this setting has this
value). `move` and `preload` as well, where their targets are absolute: sent twice they ask for the same place, and a
second load takes the place of the first. Where loads queue, add or are refused, or are relative, a load is sent once. A
fault is reset once: a second reset could clear another fault than the one that somebody looked at.
"""

from collections.abc import Mapping

from choreo.drive.conversation import Ask, Conversation, Tell
from choreo.drive.counters import Counters
from choreo.drive.exchange import AGAIN, Exchange
from choreo.drive.own_count import ROLLING, own_count
from choreo.drive.verbs import DriveEvent, Latch, ReadCount, Status
from choreo.frame import Frame
from choreo.wire.described import DescribedDialect, Means
from choreo.wire.words import Setting

#: Events that say that a state was reached, and carry nothing.
STATES = ("homed", "in_position")


class DescribedDrive:
    """
    A `choreo.drive.verbs.Drive`. Raises RecipeError for a verb that the dialect does not describe. `counters` number
    the requests, where the dialect counts them; all drives of one bus share them.
    """

    def __init__(self, dialect: DescribedDialect, node: int, counters: Counters | None = None) -> None:
        self._do = Exchange(dialect, node, counters)
        self._dialect = dialect
        self.node = node
        self.dialect = dialect.name
        self.lane = self._do.lane
        self.event_ids = tuple(sorted({shape.identifier(node) for shape in dialect.frames.events.values()}))
        self.broadcast_starts = dialect.frames.requests["start"].broadcast != "never"
        self.can_latch = dialect.can_latch
        self.speed_is_set = dialect.speed_is_set
        self.own_count: ReadCount | None = own_count(dialect, node)
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

        def read(values: Mapping[str, int]) -> int | None:
            return sent if values["count"] == sent else None

        return self._do.ask("echo", f"echo {sent}", read, {"count": sent}, again=0)

    def feed(self, message: str, count: int) -> Ask:
        """A message without values that keeps the drive's watchdog fed; what it answers does not matter."""
        return (
            self.echo_ask(count)
            if message == "echo"
            else self._do.ask(message, f"{message} (watchdog)", lambda _: True)
        )

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

    def poll_inputs(self) -> Ask:
        """One reading of the inputs, for watching them: it may be asked again, like every read."""
        ask = next(self._do.run("read_inputs", "read inputs"))  # its one request
        assert isinstance(ask, Ask)
        return ask

    def set_output(self, output: int, on: bool) -> Conversation[None]:
        """Switch an output. A state like any other: asked again, it asks for the same."""
        what = f"set output {output} {'on' if on else 'off'}"
        values = {"output": output, "on": int(on)}
        answer = yield from self._do.run("set_output", what, values, fits=("output",))
        self._do.repeats(answer, what, {"on": int(on)})

    def read_scale(self) -> Conversation[Mapping[str, int]]:
        """The settings that say what a count is (practice.md P26), raw, by the dialect's names."""
        found = {}
        for name, setting in self._dialect.scale_settings.items():
            sent = {"number": setting.number}
            values = yield from self._do.run("read_setting", f"read {name}", sent, fits=("number",))
            found[name] = values["value"]
        return found

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
        """Load a move; returns when the drive has proved that it holds it (practice.md P4)."""
        yield from self._send_target("preload", target_counts, speed_raw, self._load_again())
        yield from self._proved_loaded()

    def preload_nothing(self, here_counts: int, speed_raw: int) -> Conversation[None]:
        """Load no way at all (practice.md P1). A speed that is a setting stays as it is: it does not matter here."""
        values = {"target": here_counts}
        if self._do.has("preload", "speed"):
            values["speed"] = speed_raw
        what = f"load nothing ({here_counts} counts)"
        answer = yield from self._do.run("preload", what, values, again=self._load_again())
        self._do.repeats(answer, what, values)
        yield from self._proved_loaded()

    def _load_again(self) -> int:
        rules = self._dialect.loads
        return AGAIN if rules.second_load == "replaces" and rules.relative_to == "never" else 0

    def _proved_loaded(self) -> Conversation[None]:
        if self._do.means("preload") in (None, Means.RECEIVED):
            yield from self._do.until(lambda status: status.loaded is True, "loaded", without_fault=True)

    def _send_target(self, message: str, target: int, speed: int, again: int) -> Conversation[None]:
        values = {"target": target}
        if self._do.has(message, "speed"):
            values["speed"] = speed
        else:  # the drive takes the speed of a move from its setting
            yield from self.write_setting(Setting.SPEED, speed)
        what = f"{message} to {target} counts at speed {speed} (raw)"
        answer = yield from self._do.run(message, what, values, again=again)
        self._do.repeats(answer, what, values)

    def clear_load(self) -> Conversation[None]:
        """Empty the drive of any load; returns when it has said so."""
        yield from self._do.run("clear_load", "clear load")
        if self._do.means("clear_load") is not Means.DONE and self._do.says("loaded"):
            yield from self._do.until(lambda status: not status.loaded, "without a load")

    def start(self) -> Tell:
        """The start trigger; confirmed, so that it is known when it left (practice.md P7)."""
        return self._to_all("start", "start", confirm=True)

    def stop_all(self) -> Tell:
        """The controlled stop of every drive; of this node alone where the dialect cannot broadcast it."""
        return self._to_all("stop", "stop all")

    def quick_stop_all(self) -> Tell:
        """The quick stop of every drive; of this node alone where the dialect cannot broadcast it."""
        return self._to_all("quick_stop", "quick stop all")

    def stop(self) -> Tell:
        """The controlled stop of this node; the broadcast where the dialect has no other."""
        return self._to_one("stop", "stop")

    def quick_stop(self) -> Tell:
        """The quick stop of this node; the broadcast where the dialect has no other."""
        return self._to_one("quick_stop", "quick stop")

    def _to_all(self, message: str, what: str, *, confirm: bool = False) -> Tell:
        alone = self._dialect.frames.requests[message].broadcast == "never"
        return self._do.tell(message, self.node if alone else None, what, confirm=confirm)

    def _to_one(self, message: str, what: str) -> Tell:
        only = self._dialect.frames.requests[message].broadcast == "only"
        return self._do.tell(message, None if only else self.node, what)

    def cut_power(self) -> list[Tell]:
        """Brake and power off at once, unanswered: for an axis that runs away (practice.md P14)."""
        parts = [part for name in ("apply_brake", "disable") for part in self._do.frames.parts(name)]
        return [self._do.tell(part, self.node, part.replace("_", " ")) for part in parts]

    def decode_event(self, frame: Frame) -> DriveEvent | None:
        """What an unasked frame says; None when it is no event of this drive's. Raises MachineFault like `status`."""
        decoded = self._dialect.decode(frame)
        if decoded is None or decoded.node != self.node or decoded.message not in self._dialect.frames.events:
            return None
        kind = decoded.message
        values = {name: value for name, value in decoded.values.items() if name != ROLLING}
        if kind == "inputs":
            packed = sum(on << place for place, on in enumerate(values.values()))
            text = ", ".join(name for name, on in values.items() if on)
            return DriveEvent(self.node, kind, packed, text, values)
        if kind == "status":
            return DriveEvent(self.node, kind, 0, status=self._do.status_of(values))
        value = 1 if kind in STATES else values.get(kind, 0)
        return DriveEvent(self.node, kind, value, self._do.fault_text(value) if kind == "fault" else "")
