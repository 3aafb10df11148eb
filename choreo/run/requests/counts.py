"""
The frames of a drive that counts them itself: its counter must neither skip nor repeat (practice.md P35).

A frame that repeats the count and every bit of the one before it was delivered twice, which CAN may do (practice.md
P6): it is not taken for the answer to a request that happens to be out. A count that skips is a frame that was lost.
"""

from choreo.drive.verbs import ReadCount
from choreo.frame import Frame


class OwnCount:
    """The counter of one drive. `skipped` and `repeated` are since the run began."""

    __slots__ = ("_last", "_read", "repeated", "skipped")

    def __init__(self, read: ReadCount) -> None:
        self._read = read
        self._last: tuple[int, Frame] | None = None
        self.skipped = 0
        self.repeated = 0

    def look(self, frame: Frame) -> tuple[bool, int]:
        """Whether the frame was delivered twice, and how many were skipped before it."""
        counted = self._read(frame)
        if counted is None:
            return False, 0
        count, modulus = counted
        last, self._last = self._last, (count, frame)
        if last is None:
            return False, 0
        if count == last[0] and frame.same_bits(last[1]):
            self.repeated += 1
            return True, 0
        gone = (count - last[0] - 1) % modulus  # the same count in another frame: all the way round
        self.skipped += gone
        return False, gone
