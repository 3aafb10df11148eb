"""
A conversation as a script: the frames that it must send, and what is answered. No bus, no clock, no thread.

    talk = Script(
        tx(0x602, "40 41 60 00 00 00 00 00"),  # node 2, upload 0x6041:00
        rx(0x582, "4B 41 60 00 37 02 00 00"),  # two bytes of data
    )
    assert talk.run(drive.status()) == ...

`rx` frames that the request does not take for its answer are counted in `strays` and left, as on the bus.
"""

from dataclasses import dataclass
from typing import Any

from choreo.drive.conversation import Ask, Conversation, Decode, Pause, Reply, Tell
from choreo.errors import ChoreoError, MachineFault
from choreo.frame import Frame


@dataclass(frozen=True)
class Sent:
    """A frame that the conversation must send."""

    frame: Frame


@dataclass(frozen=True)
class Answered:
    """A frame that arrives."""

    frame: Frame


@dataclass(frozen=True)
class Lost:
    """Nothing arrives, and the time of the request runs out."""


def tx(identifier: int, data: str = "", *, extended: bool = False) -> Sent:
    """The conversation must send this."""
    return Sent(Frame(identifier, bytes.fromhex(data), extended))


def rx(identifier: int, data: str = "", *, extended: bool = False) -> Answered:
    """This arrives."""
    return Answered(Frame(identifier, bytes.fromhex(data), extended))


class Script:
    """Runs one conversation; `asks` and `tells` are what it wanted, `paused_ns` how long it let time pass."""

    def __init__(self, *lines: Sent | Answered | Lost) -> None:
        self.left = list(lines)
        self.asks: list[Ask] = []
        self.tells: list[Tell] = []
        self.strays: list[Frame] = []
        self.paused_ns = 0
        self._now_ns = 1_000

    def run(self, conversation: Conversation[Any]) -> Any:
        """To the end of the conversation, whose result is returned; every line must have been used by then."""
        try:
            want = next(conversation)
            while True:
                want = self._serve(conversation, want)
        except StopIteration as end:
            assert not self.left, f"the conversation ended before {self.left}"
            return end.value

    def ask(self, ask: Ask) -> Any:
        """One request alone; returns what its answer says."""

        def conversation() -> Conversation[Any]:
            return (yield ask).value

        return self.run(conversation())

    def _serve(self, conversation: Conversation[Any], want: Any) -> Any:
        if isinstance(want, Pause):
            self.paused_ns += want.ns
            return conversation.send(None)
        if isinstance(want, Tell):
            self.tells.append(want)
            self._expect(want.frame if want.anew is None else want.anew())
            return conversation.send(self._now_ns if want.confirm else None)
        assert isinstance(want, Ask), want
        self.asks.append(want)
        tries, decode = 1, self._send(want)
        while True:
            asked_ns = self._now_ns
            line = self._next(f"an answer to {want.what}")
            if isinstance(line, Lost):
                if tries > want.again:  # as the session gives up
                    return conversation.throw(MachineFault(f"{want.what} was not answered", rule="no-reply"))
                tries, decode = tries + 1, self._send(want)
                continue
            assert isinstance(line, Answered), f"{want.what} waits for an answer, and the script goes on with {line}"
            try:
                value = decode(line.frame)
            except ChoreoError as raised:
                return conversation.throw(raised)
            if value is not None:
                return conversation.send(Reply(value, asked_ns, self._now_ns, tries))
            self.strays.append(line.frame)

    def _send(self, want: Ask) -> Decode:
        """Where the dialect numbers its requests, frame and decoder are made anew each time."""
        frame, decode = (want.frame, want.decode) if want.anew is None else want.anew()
        self._expect(frame)
        return decode

    def _next(self, what: str) -> Sent | Answered | Lost:
        self._now_ns += 1_000
        assert self.left, f"the script ends where {what} is wanted"
        return self.left.pop(0)

    def _expect(self, frame: Frame) -> None:
        line = self._next(f"sending of {frame.text()}")
        assert isinstance(line, Sent), f"{frame.text()} is sent, and the script goes on with {line}"
        assert frame.same_bits(line.frame), f"sent {frame.text()}, expected {line.frame.text()}"
