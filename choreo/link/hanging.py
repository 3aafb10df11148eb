"""Whether an adapter hangs: a frame has been in it for longer than any sound adapter takes (practice.md P7)."""

import sys

from choreo.link.outbox import Handed, Outbox


class HangWatch:
    """
    A frame that is in the adapter for `hang_ns` is looked at again a tenth of that later, because it may have been the
    whole process that was held up, and with it whoever sends.
    """

    def __init__(self, outbox: Outbox, hang_ns: int) -> None:
        self._outbox = outbox
        self._hang_ns = hang_ns
        self._suspect: tuple[Handed, int] | None = None  # what is in there for too long, and for how long it may yet

    def look(self, now: int) -> tuple[int, str]:
        """When to look again; and why the adapter is lost, if it is."""
        if not self._outbox.unsent():
            return sys.maxsize, ""
        oldest = self._outbox.oldest_in_adapter()
        if oldest is None:  # the writer is about to hand one over
            return now + self._hang_ns, ""
        limit = oldest.since_ns + self._hang_ns
        if now < limit:
            return limit, ""
        if self._suspect is None or self._suspect[0] is not oldest:
            self._suspect = oldest, now + self._hang_ns // 10
        if now < self._suspect[1]:
            return self._suspect[1], ""
        return sys.maxsize, f"{oldest.frame.text()} has been in the adapter for {(now - oldest.since_ns) / 1e9:.1f} s"
