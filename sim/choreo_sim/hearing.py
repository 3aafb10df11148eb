"""
What a drive takes for said, of all that it receives: requests that come too soon are missed, and repetitions are not
heard twice.

A drive that needs a gap between two requests, or quiet after some, is still busy when the next one comes too early: it
misses it, and the truth records who asked too quickly. Stops are never missed. A request whose rolling counter stands
where it stood before is a repetition: it is neither carried out nor answered, as in drives that watch their counters
against frames that the bus delivers twice (practice.md P6). A counter that has skipped some is taken: frames get lost.
"""

from collections.abc import Mapping

from choreo.frame import Frame
from choreo_sim.dialect.model import DriveDialect, Message
from choreo_sim.kernel import Kernel
from choreo_sim.truth import Damage


class Hearing:
    """The ears of one drive. `watching` says whether the dialect asks for any of this."""

    def __init__(self, kernel: Kernel, dialect: DriveDialect, name: str, damage: list[Damage]) -> None:
        self._kernel = kernel
        self._name = name
        self._damage = damage
        self._gap_ns = dialect.gap_ns
        self._quiet_ns = dialect.quiet_ns
        counted = any(message.request.rolling is not None for message in dialect.exchanges)
        series = any(message.parts > 1 for message in dialect.exchanges)
        self.watching = bool(self._gap_ns or self._quiet_ns or counted or series)
        self.boot()

    def boot(self) -> None:
        """Nothing was heard yet."""
        self._last_ns: int | None = None  # when the last request to this node was heard
        self._last = ""
        self._counters: dict[bool, tuple[int, int]] = {}  # (value, bits) of own requests and of broadcasts
        self._rests: dict[str, tuple[int, str]] = {}  # until when, and after what: of all requests, or of one verb
        self._answers: list[tuple[Frame, Message]] = []  # replies after which a rest begins

    def takes(self, message: Message, values: Mapping[str, int], *, own: bool) -> bool:
        """Whether a request is heard; `own` says that it is for this node, not for all."""
        now_ns = self._kernel.now_ns
        if message.frame_class != "stops" and self._too_soon(message, own, now_ns):
            return False
        if "rolling" in values and self._repeated(message, values["rolling"], own):
            return False
        if own:
            self._last_ns, self._last = now_ns, message.name
        if message.answer is None or not own:
            self._rest(message, now_ns)
        return True

    def answers(self, message: Message, frame: Frame) -> None:
        """A reply is on its way; what must wait for it waits from when it has left."""
        if message.name in self._quiet_ns or not message.last:
            self._answers.append((frame, message))

    def left(self, frame: Frame, t_ns: int) -> None:
        """A frame of this drive's has left."""
        for entry in self._answers:
            if entry[0] is frame:
                self._answers.remove(entry)
                self._rest(entry[1], t_ns)
                return

    def _too_soon(self, message: Message, own: bool, now_ns: int) -> bool:
        if own and self._last_ns is not None and now_ns < self._last_ns + self._gap_ns:
            return self._missed(message, now_ns, self._last_ns + self._gap_ns, f"the gap after {self._last}")
        for about in ("", f"{message.name}.{message.part}"):
            until_ns, what = self._rests.get(about, (0, ""))
            if now_ns < until_ns:
                return self._missed(message, now_ns, until_ns, what)
        return False

    def _missed(self, message: Message, now_ns: int, until_ns: int, what: str) -> bool:
        early = (until_ns - now_ns) / 1e6
        self._damage.append(Damage(now_ns, f"{self._name} was sent {message.name} {early:.3f} ms too soon: {what}"))
        return True

    def _repeated(self, message: Message, value: int, own: bool) -> bool:
        assert message.request.rolling is not None
        bits = message.request.rolling.bits
        before = self._counters.get(own)
        if before is not None and (value ^ before[0]) % (1 << min(bits, before[1])) == 0:
            return True
        self._counters[own] = (value, bits)
        return False

    def _rest(self, message: Message, from_ns: int) -> None:
        """The rest that begins after a message: of everything, or between two frames of one verb."""
        if message.last and message.name in self._quiet_ns:
            self._rests[""] = (from_ns + self._quiet_ns[message.name], f"the quiet after {message.name}")
        if not message.last and message.gap_ns:
            after = f"the gap between the frames of {message.name}"
            self._rests[f"{message.name}.{message.part + 1}"] = (from_ns + message.gap_ns, after)
