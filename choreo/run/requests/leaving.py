"""A frame that nobody answers is over when it has left; one that is stuck in the adapter is given up."""

from collections.abc import Callable

from choreo.run.lateness import LATE_NS
from choreo.run.log import NoReply, seconds
from choreo.run.requests.lanes import Request
from choreo.run.requests.pacing import LEAVES_WITHIN_NS


class Leaving:
    """`left` or `stuck` is called for a request, whichever comes first counts."""

    __slots__ = ("_again", "_due_ns", "_name", "_over", "_request")

    def __init__(self, request: Request, name: str) -> None:
        self._request = request
        self._name = name
        self._over = self._again = False
        self._due_ns = 0

    def left(self, t_ns: int) -> None:
        """It has left."""
        if not self._over:
            self._over = True
            self._request.done(t_ns, t_ns, t_ns, 1)

    def stuck(self, now: int) -> int | None:
        """It should have left by now. Where choreo itself was held up, and with it perhaps the sending: once more."""
        if not self._over and now - self._due_ns > LATE_NS and not self._again:
            self._again = True
            return now + LEAVES_WITHIN_NS
        if not self._over:
            self._over = True
            what = f"{self._request.ask.what} has not left the adapter within {seconds(LEAVES_WITHIN_NS)}"
            self._request.failed(NoReply(f"{self._name}: {what}", rule="not-sent", axis=self._name))
        return None

    def watch(self, at: Callable[[int, Callable[[int], int | None]], None], now: int) -> None:
        """From now on."""
        self._due_ns = now + LEAVES_WITHIN_NS
        at(self._due_ns, self.stuck)
