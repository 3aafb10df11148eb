"""One entry of a fault file: where it stands, which drive it is about, when its turn comes, what it recorded."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from choreo_sim.bus import Bus
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
    """Counts matching moments from `at_ns` on: the fault acts from the `nth` on, `times` times, or always when None."""

    __slots__ = ("at_ns", "nth", "seen", "times")

    def __init__(self, at_ns: int, nth: int, times: int | None) -> None:
        self.at_ns = at_ns
        self.nth = nth
        self.times = times
        self.seen = 0

    def comes(self, now_ns: int) -> bool:
        """Count one more, and say whether the fault acts on it."""
        if now_ns < self.at_ns:
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


class Entry:
    """
    An entry while it is read. Its methods take what the entry says and complain, with the place, about what they cannot
    use; `check` must have seen every key.
    """

    def __init__(self, node: Node, shop: Workshop) -> None:
        self.node = node
        self.shop = shop
        self.kind = node.need("kind").text()

    def check(self, keys: Iterable[str]) -> None:
        """Only these keys may stand here, besides `kind` and `note`."""
        self.node.only(("kind", "note", *keys))

    def get(self, key: str) -> Node | None:
        """The value of a key, None if it is not given."""
        return self.node.mapping().get(key)

    def drive(self) -> ShortFrameDrive:
        """The drive of `node: 12` or `node: beam_right`."""
        wanted = self.node.need("node")
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

    def turn(self) -> Turn:
        """`nth` (from 1; 1), `at` (from then on; the beginning), `times` (a number or `all`; 1)."""
        nth, times = self.get("nth"), self.get("times")
        return Turn(
            self.time("at", 0),
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
        return float(given.amount({unit: Fraction(1)})) if given is not None else float(otherwise or 0)

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
        self.shop.fired.append(Fired(self.shop.kernel.now_ns, self.kind, axis, what))
