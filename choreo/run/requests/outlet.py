"""
The way out: past the guard to the link.

What can do something to the machine stands in the journal as a `command`, and the last seconds on the bus are kept for
the `frames` record of a stop.
"""

from collections import deque
from collections.abc import Callable, Sequence
from itertools import takewhile

from choreo.drive.conversation import Tell
from choreo.frame import Frame
from choreo.link.port import Confirmed, Link
from choreo.run.guard import Guard, GuardRefusal
from choreo.run.log import MS, Log
from choreo.run.requests.pacing import Turn
from choreo.wire.words import FrameClass

#: How much of the bus' recent past is kept for the journal's `frames` record.
RECENT_FRAMES = 16_384
RECENT_NS = 5_000 * MS


class Outlet:
    """`names` are the axes' names by index; `turns` are of the nodes that must be spoken to slowly, by axis."""

    def __init__(self, link: Link, guard: Guard, log: Log, names: Sequence[str]) -> None:
        self.link = link
        self.guard = guard
        self.log = log
        self.handed_over: set[FrameClass] = set()
        self.turns: list[tuple[int, Turn]] = []
        self._names = names
        self._confirmations: dict[Frame, deque[tuple[Callable[[int], None], Sequence[Turn]]]] = {}
        self._recent: deque[tuple[int, str, Frame]] = deque(maxlen=RECENT_FRAMES)

    def send(
        self, frame: Frame, *, confirm: Callable[[int], None] | None = None, turns: Sequence[Turn] = ()
    ) -> GuardRefusal | None:
        """
        Past the guard and to the link. `confirm(t_ns)` is called when the frame has left; `turns` wait for it.

        A frame that the guard refuses is reported like any finding and does not leave; the refusal is returned. Nothing
        is raised here: this is called in the middle of polls and replies, which must go on for the stop that follows.
        """
        guard = self.guard
        if frame not in guard.harmless:
            try:
                self.handed_over.add(guard.check(frame))
            except GuardRefusal as refusal:
                self.log.report(refusal)
                return refusal
        if confirm is not None:
            self._confirmations.setdefault(frame, deque()).append((confirm, turns))
        self._recent.append((self.link.now_ns(), "sent", frame))
        self.link.submit(frame, confirm=confirm is not None)
        return None

    def tell(
        self, tell: Tell, axis: int | None, confirm: Callable[[int], None] | None = None
    ) -> tuple[Frame, GuardRefusal | None]:
        """
        Send an unanswered frame at once, past every lane, and note it in the journal: stops never wait. What comes
        after it to a paced node waits. `axis` None is a broadcast. Returns the frame as it was sent, and the refusal.
        """
        turns = [turn for owner, turn in self.turns if axis in (None, owner)]

        def left(t_ns: int) -> None:
            for turn in turns:
                turn.left(t_ns, tell.quiet_ns)
            if confirm is not None:
                confirm(t_ns)

        frame = tell.frame if tell.anew is None else tell.anew()
        refusal = self.send(frame, confirm=left if turns else confirm, turns=turns)
        now = self.link.now_ns()
        for turn in turns if refusal is None else ():
            turn.handed_over(now)
        name = None if axis is None else self._names[axis]
        outcome = "sent" if refusal is None else "refused by the guard"
        self.log.record("command", axis=name, verb=tell.what, frame=frame.text(), outcome=outcome)
        return frame, refusal

    def note(self, axis: int, what: str, frame: Frame, outcome: str) -> None:
        """Whatever can do something to the machine stands in the journal, with its outcome."""
        if frame in self.guard.harmless or self.guard.is_harmless(frame):
            return
        self.log.record("command", axis=self._names[axis], verb=what, frame=frame.text(), outcome=outcome)

    def confirmed(self, event: Confirmed) -> None:
        """A frame has left."""
        waiting = self._confirmations.get(event.frame)
        if not waiting:
            return
        confirm, _ = waiting.popleft()
        confirm(event.t_ns)
        if not waiting:
            self._confirmations.pop(event.frame, None)  # numbered frames are many

    def taken_back(self, frame: Frame) -> None:
        """The last of these frames was taken back from the link: nobody waits any more for it to leave."""
        waiting = self._confirmations.get(frame)
        if not waiting:
            return
        _, turns = waiting.pop()
        for turn in turns:
            turn.taken_back()
        if not waiting:
            del self._confirmations[frame]

    def frames_since(self, t_ns: int) -> list[Frame]:
        """Every frame that was handed over or heard after `t_ns`, the latest first."""
        return [frame for _, _, frame in takewhile(lambda one: one[0] > t_ns, reversed(self._recent))]

    def recent_frames(self) -> list[str]:
        """The last five seconds on the bus, as `milliseconds-before-now sent|heard frame`."""
        now = self.link.now_ns()
        return [
            f"-{(now - t_ns) / MS:.3f} {direction} {frame.text()}"
            for t_ns, direction, frame in self._recent
            if now - t_ns <= RECENT_NS
        ]
