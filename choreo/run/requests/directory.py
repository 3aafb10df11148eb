"""
Whose a frame is, by its identifier: the lane of an axis' replies, or a listener for what a drive says unasked.

An identifier of 29 bits is another one than the same number with 11 bits.
"""

from collections.abc import Callable, Sequence

from choreo.drive.conversation import Ask
from choreo.drive.verbs import ReadCount
from choreo.frame import Frame
from choreo.link.port import Link
from choreo.run.guard import Guard
from choreo.run.log import Log
from choreo.run.requests.counts import OwnCount
from choreo.run.requests.lanes import Lane
from choreo.run.requests.outlet import Outlet
from choreo.run.requests.pacing import Pace, Turn

#: Added to an identifier of 29 bits.
EXTENDED = 1 << 29


class Directory(Outlet):
    """The way out, and who gets what comes in."""

    def __init__(self, link: Link, guard: Guard, log: Log, names: Sequence[str]) -> None:
        super().__init__(link, guard, log, names)
        self._lanes: dict[int, Lane] = {}
        self._listeners: dict[int, tuple[Callable[[Frame], None], Lane | None]] = {}

    def add_lane(
        self,
        id: int,
        axis: int,
        timeout_ns: int,
        echo: Callable[[int], Ask],
        *,
        pace: Pace | None = None,
        own_count: ReadCount | None = None,
        extended: bool = False,
    ) -> None:
        """
        Replies on identifier `id` belong to the requests of this axis. `pace` is what its dialect asks of all its
        nodes, `own_count` reads the counter of a drive that counts its frames itself. With `extended` its requests and
        replies have identifiers of 29 bits; a frame with the other length is none of its own.
        """
        key = id | EXTENDED if extended else id
        lane = self._lanes[key] = Lane(key, axis, timeout_ns, echo)
        if pace is not None:
            lane.turn = Turn(pace)
            self.turns.append((axis, lane.turn))
        if own_count is not None:
            lane.own = OwnCount(own_count)

    def listen(self, id: int, hear: Callable[[Frame], None], axis: int | None = None) -> None:
        """
        Frames on identifier `id` come unasked, from the drive of `axis`; `hear` gets each. Without an axis the
        identifier has 11 bits.
        """
        lane = None if axis is None else self.lane(axis)
        self._listeners[id if lane is None else id | lane.id & EXTENDED] = (hear, lane)

    def lane(self, axis: int) -> Lane:
        """The lane of an axis."""
        return next(lane for lane in self._lanes.values() if lane.axis == axis)

    def lanes(self) -> list[Lane]:
        """All lanes, in the order of the axes."""
        return sorted(self._lanes.values(), key=lambda lane: lane.axis)
