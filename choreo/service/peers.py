"""
The nodes on the other end: what was asked of each, what came back, and what came back that nobody had asked for.

An exchange is counted when its request goes out, whoever asked for it: the counted echo that the session itself puts
behind a loss, as a barrier, is an exchange like any other, and a loss if it is not answered.
"""

from array import array
from collections.abc import Callable
from dataclasses import replace

from choreo.drive.conversation import Ask, Decode
from choreo.drive.verbs import Drive
from choreo.errors import ChoreoError, RecipeError
from choreo.frame import Frame
from choreo.run.requests.lanes import Lane
from choreo.wire.dialect import Dialect

#: Beyond so many unanswered exchanges it no longer matters which of them a late reply belongs to.
LATE_KEPT = 64


#: What a frame is about: the message, and the count of an echo. A reply that has that of a request may be its answer.
Gist = tuple[str, int | None] | None


class Peer:
    """
    One node; `speaks` is the plan's name of its dialect, `now` gives the link's time, `pending` is whether somebody
    waits for an exchange to end. An `Ask` that it gives counts itself each time it is sent.
    """

    def __init__(
        self, name: str, drive: Drive, speaks: str, dialect: Dialect, index: int, now: Callable[[], int]
    ) -> None:
        self.name = name
        self.speaks = speaks
        self.drive = drive
        self.dialect = dialect
        self.index = index
        self.echoes = _has_echo(drive)
        self.exchanges = 0
        self.answered = 0
        self.refused = 0  # answered with a data-error reply: an answer all the same
        self.late = 0  # replies to exchanges that had been given up (P12)
        self.doubled = 0  # the same reply once more
        self.contradicting = 0  # another reply to a question that had been answered
        self.strange = 0  # replies to what nobody asked, echoes with a count that was not sent
        self.took_ns = array("q")
        self.worst_ns = 0
        self.lane: Lane | None = None
        self.overruns = 0  # exchanges that were due while the one before was still out
        self.pending = False
        self._now = now
        self._count = 0
        self._sent: Gist = None  # the request that is out
        self._answer: Frame | None = None  # the last reply that was an answer
        self._missing: list[Gist] = []  # requests that were not answered

    # ---- asking ------------------------------------------------------------------------------------------------

    def plain_ask(self) -> Ask:
        """An echo, or a reading of the position where the dialect has no echo."""
        return self.drive.echo_ask(self._count) if self.echoes else self.drive.poll_position()

    def next_ask(self) -> Ask:
        """The next counted exchange."""
        ask = self.counted(self.plain_ask())
        self._count += 1
        return ask

    def position_ask(self) -> Ask:
        """A reading of the position: what two nodes of one number do not answer alike."""
        return self.counted(self.drive.poll_position())

    def barrier(self, count: int) -> Ask:
        """What the session asks behind a loss."""
        return self.next_ask()

    def counted(self, ask: Ask) -> Ask:
        """The same request, asked once and counted with what becomes of it."""

        def anew() -> tuple[Frame, Decode]:
            frame, decode = (ask.frame, ask.decode) if ask.anew is None else ask.anew()
            self.gave_up()
            self.exchanges += 1
            self._sent = self._gist(frame)
            return frame, self._counting(decode, self._now())

        return replace(ask, anew=anew, again=0)

    def _counting(self, decode: Decode, asked_ns: int) -> Decode:
        def read(frame: Frame) -> object:
            try:
                value: object = decode(frame)
            except ChoreoError:
                self.refused += 1
                self._is_answer(frame, asked_ns)
                raise
            if value is not None:
                self._is_answer(frame, asked_ns)
            return value

        return read

    def _is_answer(self, frame: Frame, asked_ns: int) -> None:
        self.answered += 1
        took_ns = frame.t_ns - asked_ns
        self.took_ns.append(took_ns)
        self.worst_ns = max(self.worst_ns, took_ns)
        self._sent, self._answer = None, frame

    def gave_up(self) -> None:
        """What is out will not be waited for any more: a reply to it would be late."""
        if self._sent is not None:
            self._missing = [*self._missing[1 - LATE_KEPT :], self._sent]
            self._sent = None

    # ---- what nobody asked for -----------------------------------------------------------------------------------

    def unasked(self, frame: Frame) -> None:
        """A frame on this node's lane that is no answer to what is out."""
        said, last = self._gist(frame), self._answer
        if last is not None and frame.same_bits(last):
            self.doubled += 1
        elif said is not None and said in self._missing:
            self._missing.remove(said)
            self.late += 1
        elif said is not None and last is not None and said == self._gist(last):
            self.contradicting += 1
        else:
            self.strange += 1

    def _gist(self, frame: Frame) -> Gist:
        decoded = self.dialect.decode(frame)
        return None if decoded is None else (decoded.message, decoded.values.get("count"))

    # ---- figures -------------------------------------------------------------------------------------------------

    @property
    def wrong(self) -> int:
        """Replies that answered nothing."""
        return self.late + self.doubled + self.contradicting + self.strange

    def lost(self) -> int:
        """Exchanges that were not answered in their time; one that is still out counts for neither."""
        return self.exchanges - self.answered - (self.lane is not None and self.lane.busy is not None)


def _has_echo(drive: Drive) -> bool:
    try:
        drive.echo_ask(0)
    except RecipeError:
        return False
    return True
