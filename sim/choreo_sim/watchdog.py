"""A drive's own watch over its host: when it has heard nothing for too long it stops by itself."""

from collections.abc import Callable

from choreo_sim.dialect.model import WatchdogRule
from choreo_sim.kernel import Kernel


class Watchdog:
    """Calls `act` once when nothing has fed it for the time of its rule; the next frame that feeds it arms it anew."""

    def __init__(self, kernel: Kernel, rule: WatchdogRule, act: Callable[[], None]) -> None:
        self._kernel = kernel
        self._rule = rule
        self._act = act
        self._fed_ns = kernel.now_ns
        self._armed = False
        self._arm(self._fed_ns + rule.within_ns)

    def feed(self, message: str) -> None:
        """The drive has heard a request."""
        if self._rule.fed_by is not None and message not in self._rule.fed_by:
            return
        self._fed_ns = self._kernel.now_ns
        if not self._armed:
            self._arm(self._fed_ns + self._rule.within_ns)

    def _arm(self, due_ns: int) -> None:
        self._armed = True
        self._kernel.at(due_ns, self._due)

    def _due(self, _: object) -> None:
        due_ns = self._fed_ns + self._rule.within_ns
        if self._kernel.now_ns < due_ns:
            self._arm(due_ns)
            return
        self._armed = False
        self._act()
