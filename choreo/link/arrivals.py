"""
What a bus hands over, one message after the other: frames for the session, and what is only counted.

Own frames that came back, error frames and CAN FD frames are no frames of the machine's. Remote frames and frames with
the other length of identifier are handed on as what they are: whoever expects something says what.
"""

from collections.abc import MutableSequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from choreo.frame import Frame
from choreo.link.adapter import to_frame, trouble_words
from choreo.link.clockmap import ClockMap
from choreo.link.outbox import Handed, Outbox
from choreo.link.port import BusTrouble, Confirmed, Event

if TYPE_CHECKING:
    from can import Message

#: At most one report of like error frames in that time: a dead bus makes thousands a second.
ERROR_REPORTS_NS = 100_000_000


@dataclass(slots=True)
class Counts:
    """What the link saw, for reports. Echoes, FD frames and error frames were not handed on as frames; others were."""

    frames: int = 0  # classical frames of others, all that follow included but those not handed on
    echoes: int = 0  # own frames that came back
    fd_frames: int = 0  # CAN FD frames: no drive of ours speaks it
    error_frames: int = 0
    remote_frames: int = 0
    extended_frames: int = 0  # with an identifier of 29 bits
    impossible: int = 0  # what CAN cannot carry: the adapter garbles


class Arrivals:
    """
    Puts what arrives into `inbox`. With `echoes` the bus returns each frame to its sender once it has left, and the
    echo confirms it. `clock` maps the adapter's own times, where it has a clock that deserves it.
    """

    def __init__(
        self, outbox: Outbox, inbox: MutableSequence[Frame | Event], *, echoes: bool, clock: ClockMap | None
    ) -> None:
        self.counts = Counts()
        self._outbox = outbox
        self._inbox = inbox
        self._echoes = echoes
        self._clock = clock
        self._errors: dict[str, tuple[int, int]] = {}  # what error frames say -> last reported when, left out since

    def take(self, message: "Message", now_ns: int) -> None:
        """A message that the program got at `now_ns`."""
        t_ns = now_ns if self._clock is None else self._clock.at(message.timestamp, now_ns)
        if message.is_error_frame:
            self.counts.error_frames += 1
            self._error_frame(trouble_words(message.arbitration_id), t_ns)
            return
        if message.is_fd:
            self.counts.fd_frames += 1
            return
        frame = to_frame(message, t_ns)
        if not can_carry(frame):
            self.counts.impossible += 1
            self._inbox.append(BusTrouble(f"the adapter reports an impossible frame, {frame.text()}", t_ns))
        elif not self._is_echo(frame, message.is_rx):
            self.counts.frames += 1
            self.counts.remote_frames += frame.remote
            self.counts.extended_frames += frame.extended
            self._inbox.append(frame)

    def left(self, handed: Handed, t_ns: int) -> None:
        """A frame of ours is out of the adapter."""
        self._outbox.has_left(handed)
        if handed.confirm:
            self._inbox.append(Confirmed(handed.frame, max(t_ns, handed.since_ns)))

    def _error_frame(self, what: str, t_ns: int) -> None:
        """Report an error frame, with the number of those like it that were left out since the last report."""
        reported_ns, left_out = self._errors.get(what, (None, 0))
        if reported_ns is not None and t_ns < reported_ns + ERROR_REPORTS_NS:
            self._errors[what] = reported_ns, left_out + 1
            return
        more = f" (and {left_out} more since the last report)" if left_out else ""
        self._inbox.append(BusTrouble(what + more, t_ns))
        self._errors[what] = t_ns, 0

    def _is_echo(self, frame: Frame, from_elsewhere: bool) -> bool:
        """
        Whether this is a frame of ours that came back: by content and order, since no driver's mark can be trusted.

        On a bus that was not asked for echoes the driver must also call the frame its own: there a reply that looks
        exactly like its request must get through.
        """
        if self._echoes:
            handed = self._outbox.in_adapter_like(frame)
            if handed is None:
                return False
            self.counts.echoes += 1
            self.left(handed, frame.t_ns)
            return True
        if from_elsewhere or not self._outbox.forget_gone_like(frame):
            return False
        self.counts.echoes += 1
        return True


def can_carry(frame: Frame) -> bool:
    """Whether a classical CAN frame can be like this one (ISO 11898-1; facts.md A1)."""
    return len(frame.data) <= 8 and 0 <= frame.id <= (0x1FFFFFFF if frame.extended else 0x7FF)
