"""
How fast drives may be spoken to: the gap between two requests to one node, the silence after a message, how many
requests may be out over all nodes of a dialect.

Stops never wait for any of it, and everything that comes after them does. The gap counts from when a frame has left, as
far as the link knows, because what waits in an adapter would otherwise leave right behind it.
"""

from choreo.wire.dialect import Timing

#: A frame that is not known to have left after so long holds up nobody any more: the adapter has a watch of its own.
LEAVES_WITHIN_NS = 200_000_000


class Pace:
    """What one dialect asks of its lanes together. `out` counts the requests that are out."""

    __slots__ = ("gap_ns", "out", "outstanding")

    def __init__(self, timing: Timing) -> None:
        self.gap_ns = timing.gap_ns
        self.outstanding = timing.outstanding
        self.out = 0

    def full(self) -> bool:
        """Whether as many requests are out as may be."""
        return self.outstanding is not None and self.out >= self.outstanding


def pace_of(timing: Timing) -> Pace | None:
    """None for a dialect that asks nothing of the kind, as most: its lanes lose no time over it."""
    asks = timing.gap_ns or timing.outstanding is not None or any(timing.quiet.values())
    return Pace(timing) if asks else None


class Turn:
    """When one node may be spoken to next. `ready_ns` is never moved to an earlier time."""

    __slots__ = ("_leaving", "_leaving_by_ns", "pace", "ready_ns")

    def __init__(self, pace: Pace) -> None:
        self.pace = pace
        self.ready_ns = 0
        self._leaving = 0
        self._leaving_by_ns = 0

    def next_ns(self) -> int:
        """From when on it may be spoken to, as far as is known now."""
        return max(self.ready_ns, self._leaving_by_ns) if self._leaving else self.ready_ns

    def handed_over(self, now: int) -> None:
        """A frame for it is on its way. One that was to leave long ago is not waited for once more."""
        self._leaving = self._leaving + 1 if now < self._leaving_by_ns else 1
        self._leaving_by_ns = now + LEAVES_WITHIN_NS

    def taken_back(self) -> None:
        """A frame that was handed over will never leave."""
        self._leaving = max(0, self._leaving - 1)

    def left(self, t_ns: int, quiet_ns: int = 0) -> None:
        """A frame has left; with `quiet_ns` where it is not answered."""
        self._leaving = max(0, self._leaving - 1)
        self.rest(t_ns + max(self.pace.gap_ns, quiet_ns))

    def rest(self, until_ns: int) -> None:
        """Nothing before then."""
        self.ready_ns = max(self.ready_ns, until_ns)
