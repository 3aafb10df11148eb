"""
What a drive says without being asked: periodic frames, and frames when something has changed.

Changes are looked for once a cycle of the drive, from when something may have changed until nothing moves any more, as
a drive does that compares its inputs and its state in every cycle. `boot` and `fault` are said by the drive itself.
"""

from collections.abc import Callable, Mapping
from random import Random

from choreo_sim.dialect.model import DriveDialect
from choreo_sim.firmware import Firmware, Values
from choreo_sim.kernel import Handle, Kernel
from choreo_sim.servo import Servo

FINEST_NS = 1_000_000  # no drive compares its state more often
#: Events that are said when something changes, unless they have a period.
ON_CHANGE = ("inputs", "in_position", "homed", "status", "position")

Say = Callable[[str, Values], None]


class Unasked:
    """The events of one drive but boot and fault. `say` sends one; its values are those of the form's fields."""

    def __init__(
        self, kernel: Kernel, dialect: DriveDialect, servo: Servo, firmware: Firmware, say: Say, seed: str
    ) -> None:
        self._kernel = kernel
        self._servo = servo
        self._firmware = firmware
        self._say = say
        self._step_ns = max(dialect.cycle_ns, FINEST_NS)
        self._names = {name: speech.form.names for name, speech in dialect.event_speech.items()}
        self._scan: Handle | None = None
        self._watched = [
            name for name in ON_CHANGE if name in dialect.event_speech and not dialect.event_speech[name].every_ns
        ]
        self._told: dict[str, Mapping[str, int]] = {}
        self.boot()
        chance = Random(f"events {seed}")
        for name, speech in dialect.event_speech.items():
            if speech.every_ns and name != "boot":
                kernel.after(chance.randrange(speech.every_ns), self._period, (name, speech.every_ns))
        if self._watched:
            servo.mechanics.observers.append(self.look)
            kernel.at(kernel.now_ns, lambda _: self.boot())  # when the whole machine has been built

    def boot(self) -> None:
        """As after switching on: what is true now is known and not worth a frame."""
        self._told = {name: self._state(name) for name in self._watched}

    def look(self) -> None:
        """Something may have changed: compare now and once a cycle until nothing moves."""
        if self._watched and self._scan is None:
            self._scan = self._kernel.at(self._kernel.now_ns, self._compare)

    def _period(self, what: tuple[str, int]) -> None:
        name, every_ns = what
        self._say(name, self._firmware.tell(self._names[name]))
        self._kernel.after(every_ns, self._period, what)

    def _compare(self, _: object) -> None:
        changed = False
        for name in self._watched:
            now = self._state(name)
            before, self._told[name] = self._told[name], now
            if now != before:
                changed = True
                if self._worth(name, now):
                    self._say(name, self._firmware.tell(self._names[name]))
        again = changed or self._servo.moving(self._kernel.now_ns)
        self._scan = self._kernel.after(self._step_ns, self._compare) if again else None

    def _state(self, name: str) -> Mapping[str, int]:
        """What of the drive an event is about."""
        now_ns = self._kernel.now_ns
        if name == "in_position":
            return {"in_position": self._servo.in_position(now_ns)}
        if name == "homed":
            return {"homed": self._servo.homed}
        if name == "position":
            return {"moving": self._servo.moving(now_ns)}
        return self._firmware.tell([field for field in self._names[name] if field != "position"])

    def _worth(self, name: str, now: Mapping[str, int]) -> bool:
        """Whether a change is said: that something is so always, that it is no longer so where a field can say it."""
        if name == "position":
            return not now["moving"]  # a position of its own accord tells where the axis has come to rest
        return name not in ("in_position", "homed") or bool(now[name]) or name in self._names[name]
