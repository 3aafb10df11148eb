"""
A link that is listened to: everything that passes is counted, by identifier, with how long it is on the wire.

Lengths are bounds (choreo/wire/lengths.py): with no stuff bit at all, and with as many as there could ever be. What an
adapter keeps to itself, frames that were destroyed and sent again among it, is not counted.
"""

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

from choreo.frame import Frame
from choreo.link.port import AdapterLost, BusTrouble, Event, Interrupt, Link
from choreo.wire.lengths import longest_bits, shortest_bits

#: Identifiers kept apart: a babbling bus must not fill the memory.
IDENTIFIERS = 4096

_MORE = re.compile(r" \(and (\d+) more since the last report\)$")


@dataclass(slots=True)
class Sighting:
    """All frames that were heard with one identifier. `first` is the first of them."""

    first: Frame
    frames: int = 0


@dataclass(slots=True)
class Passed:
    """Frames that passed, and the bits that they have at the least and at the most."""

    frames: int = 0
    least_bits: int = 0
    most_bits: int = 0

    def add(self, frame: Frame) -> None:
        """One more."""
        size, extended = len(frame.data), frame.extended
        self.frames += 1
        self.least_bits += shortest_bits(size, extended)
        self.most_bits += longest_bits(size, extended)

    def copy(self) -> "Passed":
        """As it is now."""
        return Passed(self.frames, self.least_bits, self.most_bits)

    def since(self, before: "Passed") -> "Passed":
        """What came after `before`."""
        return Passed(
            self.frames - before.frames, self.least_bits - before.least_bits, self.most_bits - before.most_bits
        )


class Ear:
    """
    `choreo.link.port.Link` over another. `interrupted` and `lost` say why it is over, if it is: what the operator did,
    what became of the adapter. `on_frame` gets each frame that is heard.
    """

    def __init__(self, link: Link) -> None:
        self._link = link
        self.now_ns = link.now_ns
        self.seen: dict[tuple[int, bool, bool], Sighting] = {}  # by identifier, 29 bits or not, remote or not
        self.passed = Passed()
        self.heard = 0
        self.troubles: Counter[str] = Counter()  # what the adapter reports of the bus, in words
        self.interrupted = ""
        self.lost = ""
        self.on_frame: Callable[[Frame], None] = lambda frame: None

    def submit(self, frame: Frame, *, confirm: bool = False) -> None:
        """See `Link.submit`."""
        self.passed.add(frame)
        self._link.submit(frame, confirm=confirm)

    def withdraw(self, unwanted: Callable[[Frame], bool]) -> list[Frame]:
        """See `Link.withdraw`."""
        return self._link.withdraw(unwanted)

    def unsent(self) -> int:
        """See `Link.unsent`."""
        return self._link.unsent()

    def post(self, event: Event) -> None:
        """See `Link.post`."""
        self._link.post(event)

    async def receive_until(self, deadline_ns: int) -> Frame | Event | None:
        """See `Link.receive_until`."""
        got = await self._link.receive_until(deadline_ns)
        if isinstance(got, Frame):
            self._hear(got)
        elif isinstance(got, Interrupt):
            self.interrupted = self.interrupted or got.reason
        elif isinstance(got, AdapterLost):
            self.lost = self.lost or got.reason
        elif isinstance(got, BusTrouble):
            self._trouble(got.what)
        return got

    def close(self) -> None:
        """See `Link.close`."""
        self._link.close()

    @property
    def fd_frames(self) -> int | None:
        """CAN FD frames that the link left out; None where it does not count them."""
        return self._counted("fd_frames")

    @property
    def error_frames(self) -> int:
        """As the link counts them, or as many as it has spoken of."""
        counted = self._counted("error_frames")
        spoken = sum(count for what, count in self.troubles.items() if what.startswith("error frame"))
        return spoken if counted is None else counted

    def _counted(self, name: str) -> int | None:
        found = getattr(getattr(self._link, "counts", None), name, None)
        return found if isinstance(found, int) else None

    def _hear(self, frame: Frame) -> None:
        self.heard += 1
        self.passed.add(frame)
        key = frame.id, frame.extended, frame.remote
        sighting = self.seen.get(key)
        if sighting is None:
            sighting = Sighting(frame)
            if len(self.seen) < IDENTIFIERS:
                self.seen[key] = sighting
        sighting.frames += 1
        self.on_frame(frame)

    def _trouble(self, what: str) -> None:
        """One report may stand for several error frames, and says so at its end."""
        more = _MORE.search(what)
        kind = _MORE.sub("", what).partition(" in ")[0]  # what it was, without the frame that it happened to
        self.troubles[kind] += 1 + (int(more[1]) if more else 0)
