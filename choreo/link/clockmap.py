"""
Times of an adapter's own clock, or the kernel's, on the link's monotonic clock.

Such a clock counts from another beginning, neither runs exactly as fast as ours nor is always to be believed. What is
known for certain is when the program got a frame, and that it had arrived before. So the frame that came through the
fastest tells best how far the two clocks are apart: the smallest distance of the last seconds is the estimate.
"""

import math

#: The smallest distance is taken over the span under way and the one before it.
SPAN_NS = 1_000_000_000
#: How much faster or slower than ours a clock may run: more than crystals do.
DRIFT = 300e-6
#: So much may the smallest distances of two spans differ, beyond what drift does: no two frames take the same way.
AGREE_NS = 300_000
#: A clock that stands still for so long is none.
STANDS_NS = 20_000_000

_FAR = 1 << 62


class ClockMap:
    """
    `at` gives the time of a frame's arrival. A clock is believed once the smallest distances of two spans agree, and
    until those of the next do not, it runs back, stands still, leaps, is no number, or nothing comes for a span; while
    it is not, a frame's time is when the program got it.

    As long as the clocks drift apart by no more than `DRIFT` the estimate is never early, so that no reply seems to
    come before its request. It is late by no more than the delay of the fastest frame of the span under way or the one
    before, and twice the drift since that frame (at most 1.2 ms); without a delay it is the arrival itself.
    """

    def __init__(self) -> None:
        self.trusted = False
        self._known_ns = 0  # the latest time that was given out
        self._device_ns = self._arrival_ns = 0  # of the frame before
        self._began_ns: int | None = None  # the span under way
        self._smallest = self._before = (_FAR, 0)  # the distance, and when: of this span and of the last

    def at(self, device_s: float, arrival_ns: int) -> int:
        """
        When a frame arrived, on our clock: never later than `arrival_ns`, when the program got it, and never earlier
        than the frame before. `device_s` is the other clock's time in seconds, from whatever beginning.
        """
        estimate = arrival_ns
        if math.isfinite(device_s) and 0 < device_s < 1e11:
            estimate = self._estimate(round(device_s * 1e9), arrival_ns)
        else:
            self._begin_anew(None)
        self._known_ns = max(self._known_ns, min(estimate, arrival_ns))
        return self._known_ns

    def _estimate(self, device_ns: int, arrival_ns: int) -> int:
        distance = arrival_ns - device_ns
        if self._began_ns is None or not self._goes_on(device_ns, arrival_ns):
            self._begin_anew(arrival_ns)
        self._device_ns, self._arrival_ns = device_ns, arrival_ns
        if distance <= _drifted(self._smallest, arrival_ns):
            self._smallest = distance, arrival_ns
        if self._began_ns is not None and arrival_ns - self._began_ns >= SPAN_NS:
            self.trusted = abs(self._smallest[0] - self._before[0]) <= self._allowed(self._smallest[1])
            self._began_ns = arrival_ns
            self._before, self._smallest = self._smallest, (distance, arrival_ns)
        if not self.trusted:
            return arrival_ns
        return device_ns + min(_drifted(self._smallest, arrival_ns), _drifted(self._before, arrival_ns))

    def _goes_on(self, device_ns: int, arrival_ns: int) -> bool:
        """Whether the clock has neither run back nor stood still nor leapt since the frame before, not long ago."""
        ours, theirs = arrival_ns - self._arrival_ns, device_ns - self._device_ns
        if theirs < 0 or (theirs == 0 and ours >= STANDS_NS) or ours > SPAN_NS:
            return False
        return not self.trusted or -self._allowed(arrival_ns) <= arrival_ns - device_ns - self._before[0] <= SPAN_NS

    def _allowed(self, now_ns: int) -> float:
        """How much smaller than that of the last span a distance may be by now."""
        return AGREE_NS + (now_ns - self._before[1]) * DRIFT

    def _begin_anew(self, arrival_ns: int | None) -> None:
        self.trusted = False
        self._began_ns = arrival_ns
        self._smallest = self._before = (_FAR, 0)


def _drifted(smallest: tuple[int, int], now_ns: int) -> int:
    """What a distance has become since, if the other clock is as slow as it may be."""
    distance, when_ns = smallest
    return distance + round((now_ns - when_ns) * DRIFT)
