"""A link with virtual time and drives that are plain functions: enough to see what the session does, frame by frame."""

import heapq
from collections import deque
from collections.abc import Callable, Iterable
from fractions import Fraction
from io import StringIO

from choreo.drive.families import make_drive
from choreo.frame import Frame
from choreo.journal.writer import JournalWriter
from choreo.limits import NodeLimits
from choreo.link.port import Confirmed, Event, Interrupt
from choreo.run.guard import Guard
from choreo.run.session import Session
from choreo.wire.described import shipped
from choreo.wire.words import Setting

MS = 1_000_000
DIALECT = shipped("short_frame")

#: What a fake drive does with a frame: answers, each with its delay.
Answers = Callable[[Frame], Iterable[tuple[int, Frame]]]


class FakeLink:
    """Frames leave at once (or `leave_after_ns` later); answers arrive when the fake drives say so."""

    def __init__(self, answers: Answers = lambda frame: (), leave_after_ns: int = 0) -> None:
        self.answers = answers
        self.leave_after_ns = leave_after_ns
        self.sent: list[tuple[int, Frame]] = []
        self.most_out = 0
        self._now = 5 * MS
        self._heap: list[tuple[int, int, Frame | Event]] = []
        self._urgent: deque[Interrupt] = deque()
        self._order = 0
        self._leaving: list[int] = []

    def now_ns(self) -> int:
        return self._now

    def arrive(self, delay_ns: int, what: Frame | Event) -> None:
        heapq.heappush(self._heap, (self._now + delay_ns, self._order, what))
        self._order += 1

    def submit(self, frame: Frame, *, confirm: bool = False) -> None:
        self.sent.append((self._now, frame))
        self._leaving.append(self._now + self.leave_after_ns)
        if confirm:
            self.arrive(self.leave_after_ns, Confirmed(frame, self._now + self.leave_after_ns))
        for delay_ns, answer in self.answers(frame):
            self.arrive(delay_ns, answer)

    def withdraw(self, unwanted: Callable[[Frame], bool]) -> list[Frame]:
        return []

    def unsent(self) -> int:
        return sum(left > self._now for left in self._leaving)

    def post(self, event: Event) -> None:
        if isinstance(event, Interrupt):
            self._urgent.append(event)
        else:
            self.arrive(0, event)

    async def receive_until(self, deadline_ns: int) -> Frame | Event | None:
        if self._urgent:
            return self._urgent.popleft()
        if self._heap and self._heap[0][0] <= max(deadline_ns, self._now):
            at, _, what = heapq.heappop(self._heap)
            self._now = max(self._now, at)
            return what._replace(t_ns=self._now) if isinstance(what, Frame) else what
        self._now = max(self._now, deadline_ns)
        return None

    def close(self) -> None: ...


def node_limits(node: int, axis: str) -> NodeLimits:
    """Travel 0 to 100,000 counts, 5,000 counts of reach before home, raw speeds up to 400 and 60."""
    settings = {Setting.SPEED: (1, 400), Setting.ACCELERATION: (1, 960), Setting.TORQUE_LIMIT: (1, 100)}
    return NodeLimits(axis, node, (0, 100_000), 5_000, 400, 60, settings, edge=-800)


def guard_for(*nodes: int) -> Guard:
    return Guard({"short_frame": DIALECT}, [(node_limits(node, f"axis{node}"), "short_frame") for node in nodes])


def session_for(link: FakeLink, *nodes: int, timeout_ns: int = 10 * MS) -> tuple[Session, StringIO]:
    """A session with a lane for each node; the journal is returned as text."""
    text = StringIO()
    session = Session(link, guard_for(*nodes), JournalWriter(None, text), [f"axis{node}" for node in nodes])
    for index, node in enumerate(nodes):
        drive = make_drive(DIALECT, node)
        session.traffic.add_lane(drive.lane, index, timeout_ns, drive.echo_ask)
    return session, text


def exact_round(value: Fraction) -> int:
    return (value + Fraction(1, 2)).__floor__()
