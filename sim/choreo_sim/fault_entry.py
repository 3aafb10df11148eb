"""One entry of a fault file: where it stands, which drive it is about, when its turn comes, what it recorded."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from choreo_sim.bus import Bus
from choreo_sim.fault_pin import Pin, Steps
from choreo_sim.kernel import Kernel
from choreo_sim.short_frame_drive import ShortFrameDrive
from choreo_sim.yaml_tree import Node, one_of


@dataclass(frozen=True, slots=True)
class Fired:
    """A scripted fault has acted: when, which kind, on which axis (None: the adapter), and what it did."""

    t_ns: int
    kind: str
    axis: str | None
    what: str


class Turn:
    """Counts matching moments from its pin on: the fault acts from the `nth` on, `times` times, or always when None."""

    __slots__ = ("nth", "pin", "seen", "times")

    def __init__(self, pin: Pin, nth: int, times: int | None) -> None:
        self.pin = pin
        self.nth = nth
        self.times = times
        self.seen = 0

    def comes(self, now_ns: int) -> bool:
        """Count one more, and say whether the fault acts on it."""
        if not self.pin.reached(now_ns):
            return False
        self.seen += 1
        done = self.seen - self.nth
        return done >= 0 and (self.times is None or done < self.times)


@dataclass(frozen=True, slots=True)
class Workshop:
    """What faults are put into."""

    kernel: Kernel
    bus: Bus
    drives: Mapping[str, ShortFrameDrive]
    fired: list[Fired]
    steps: Steps
    seed: int


class Entry:
    """
    An entry while it is read. Its methods take what the entry says and complain, with the place, about what they cannot
    use; `check` must have seen every key.
    """

    def __init__(self, node: Node, shop: Workshop) -> None:
        self.node = node
        self.shop = shop
        self.kind = node.need("kind").text()
        self.fired = 0  # how often it has acted

    def check(self, keys: Iterable[str]) -> None:
        """Only these keys may stand here, besides `kind` and `note`."""
        self.node.only(("kind", "note", *keys))

    def get(self, key: str) -> Node | None:
        """The value of a key, None if it is not given."""
        return self.node.mapping().get(key)

    def drive(self) -> ShortFrameDrive:
        """The drive of `node: 12`, `node: beam_right` or, in another word for the same, `axis: beam_right`."""
        axis = self.get("axis")
        if axis is not None and self.get("node") is not None:
            raise axis.error("`axis` and `node` are two words for the same: only one of them may stand here")
        return self.named(self.node.need("node") if axis is None else axis)

    def named(self, wanted: Node) -> ShortFrameDrive:
        """The drive that a value names, by its number or by its axis."""
        drives = self.shop.drives
        for name, drive in drives.items():
            if wanted.text() in (name, str(drive.node)):
                return drive
        known = one_of(f"{drive.node} ({name})" for name, drive in drives.items())
        raise wanted.error(f"{wanted.text()!r} is no node of this machine; {known}")

    def messages(self, drive: ShortFrameDrive, more: Iterable[str] = ()) -> frozenset[str] | None:
        """The dialect's messages that `message:` names, one or a list; None for all of them."""
        given = self.get("message")
        if given is None:
            return None
        names = given.items() if isinstance(given.value, list) else [given]
        return frozenset(name.one_of((*drive.dialect.messages, *more)) for name in names)

    def pin(self) -> Pin:
        """`at` (a time of the run), or `step` and `after`; the beginning of the run where nothing is said."""
        step, after = self.get("step"), self.get("after")
        if step is None:
            if after is not None:
                raise after.error("`after` counts from the beginning of a `step`, and none is given; a time is `at`")
            return Pin(self.shop.kernel, self.time("at", 0))
        if self.get("at") is not None:
            raise step.error("`step` and `at` exclude each other; `after: 200 ms` counts from where the step begins")
        return self.shop.steps.pin(step.text(), self.time("after", 0))

    def must_say_when(self) -> None:
        """Complain unless `at` or `step` is given."""
        if self.get("step") is None:
            self.node.need("at")

    def moment(self) -> Pin:
        """The pin of a fault that must say when it begins."""
        self.must_say_when()
        return self.pin()

    def turn(self) -> Turn:
        """`nth` (from 1; 1) from its pin on, `times` (a number or `all`; 1)."""
        nth, times = self.get("nth"), self.get("times")
        return Turn(
            self.pin(),
            nth.integer(1, 1 << 31) if nth is not None else 1,
            1 if times is None else None if times.text() == "all" else times.integer(1, 1 << 31),
        )

    def time(self, key: str, otherwise: int | None = None) -> int:
        """A time in nanoseconds."""
        given = self.get(key) if otherwise is not None else self.node.need(key)
        if given is None:
            return otherwise or 0
        found = given.time_ns()
        if found < 0:
            raise given.error("a time cannot be negative")
        return found

    def amount(self, key: str, unit: str, otherwise: Fraction | None = None) -> float:
        """A value in a unit."""
        given = self.get(key) if otherwise is not None else self.node.need(key)
        return float(given.amount(_spelled(unit))) if given is not None else float(otherwise or 0)

    def flag(self, key: str) -> bool:
        """`true` or `false`; false if it is not given."""
        given = self.get(key)
        return given is not None and given.flag()

    def code(self, key: str, codes: Mapping[str, int], otherwise: int) -> int:
        """An error or fault of the dialect, by its number or its text."""
        given = self.get(key)
        if given is None:
            return otherwise
        for text, code in codes.items():
            if given.text() in (text, str(code)):
                return code
        raise given.error(
            f"{given.text()!r} is not known here; " + one_of(f"{code} ({t})" for t, code in codes.items())
        )

    def fire(self, axis: str | None, what: str) -> None:
        """Record that the fault has acted."""
        self.fired += 1
        self.shop.fired.append(Fired(self.shop.kernel.now_ns, self.kind, axis, what))


def _spelled(unit: str) -> dict[str, Fraction]:
    """How a unit may be written: on a machine that was derived from a recipe's axes any unit of length or angle."""
    if not unit.startswith("unit"):
        return {unit: Fraction(1)}
    return {name + unit.removeprefix("unit"): Fraction(1) for name in ("mm", "deg", "rev", "unit")}
