"""Verbs that come in several frames: a drive collects the parts in order, and does nothing before it has them all."""

from collections.abc import Mapping

from choreo_sim.dialect.model import Message
from choreo_sim.kernel import Kernel


class Collecting:
    """
    The verb that is under way. Its first part begins it anew at any time; a part out of turn, or one that comes after
    the time for the whole has run out, is refused and makes the drive forget the others. So does the message that the
    dialect names as its `abort`.
    """

    def __init__(self, kernel: Kernel) -> None:
        self._kernel = kernel
        self.forget()

    def forget(self) -> None:
        """Nothing is under way."""
        self._verb = self._abort = ""
        self._next = 1
        self._until_ns = 0
        self._values: dict[str, int] = {}

    def meets(self, message: str) -> None:
        """Another message was carried out."""
        if self._verb and message == self._abort:
            self.forget()

    def take(self, message: Message, values: Mapping[str, int]) -> Mapping[str, int] | None:
        """Everything that has been said so far, this part included; None if it is out of turn or too late."""
        now_ns = self._kernel.now_ns
        if message.part == 1:
            self.forget()
            self._verb, self._abort = message.name, message.abort
            self._until_ns = now_ns + message.within_ns
        in_turn = self._verb == message.name and self._next == message.part
        if not in_turn or (message.within_ns and now_ns > self._until_ns):
            self.forget()
            return None
        self._next += 1
        self._values = found = {**self._values, **values}
        if message.last:
            self.forget()
        return found
