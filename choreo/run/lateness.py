"""
When the session itself is late: the computer was busy, the process halted, a disk slow.

Frames then lie in the link that came in time, and limits seem to be over that nobody could keep. So what lies in the
link is routed first. In virtual time the session is never late.
"""

MS = 1_000_000
#: Waking so late is usual, and harmless.
LATE_NS = 2 * MS
#: Longer than any computer that is fit for it is busy with something else.
HELD_UP_NS = 500 * MS
#: How long what lies in the link may take to be routed: on a full bus there is always another frame.
CATCH_UP_NS = 50 * MS


class Lateness:
    """Which limit was overslept, and until when what came meanwhile has been routed."""

    __slots__ = ("_began_ns", "_caught_up_ns", "_due_ns")

    def __init__(self) -> None:
        self._due_ns = self._caught_up_ns = -1
        self._began_ns = 0

    def caught_up(self, due_ns: int) -> bool:
        """Whether everything that had come by `due_ns` has been routed."""
        return self._caught_up_ns >= due_ns

    def begin(self, due_ns: int, now: int) -> bool:
        """What was due then was overslept; whether that is news."""
        if self._due_ns == due_ns:
            return False
        self._due_ns, self._began_ns = due_ns, now
        return True

    def too_long(self, now: int) -> bool:
        """Whether catching up takes too long."""
        return now - self._began_ns > CATCH_UP_NS

    def end(self, due_ns: int, now: int) -> None:
        """Everything that came until now has been routed."""
        self._due_ns, self._caught_up_ns = -1, max(now, due_ns)
