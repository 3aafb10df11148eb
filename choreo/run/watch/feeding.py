"""Keeps drives fed whose watchdog is not satisfied by polls: see `choreo.plan.feeding`. It goes on through stopping."""

from typing import Any

from choreo.errors import ChoreoError
from choreo.plan.feeding import feeding_message, feeding_period_ns
from choreo.run.axes import Axis
from choreo.run.requests.lanes import Request
from choreo.run.session import Session
from choreo.wire.dialect import Dialect


class Feeder:
    """One drive. A message that is not answered is the lane's business."""

    def __init__(self, session: Session, axis: Axis, message: str, period_ns: int) -> None:
        self._session = session
        self._axis = axis
        self._message = message
        self._period_ns = period_ns
        self._pending = False
        self._count = 0

    def due(self, now: int) -> int:
        """Send it, unless the last one is still out; returns when the next is due."""
        if not self._pending:
            self._pending = True
            self._count += 1
            lane = self._session.traffic.lane(self._axis.plan.index)
            ask = self._axis.drive.feed(self._message, self._count)
            self._session.traffic.queue(Request(lane, ask, lane.timeout_ns, self._done, self._failed))
        return now + self._period_ns

    def _done(self, value: Any, asked_ns: int, arrived_ns: int, tries: int) -> None:
        self._pending = False

    def _failed(self, error: ChoreoError) -> None:
        self._pending = False


def keep_fed(session: Session, axis: Axis, dialect: Dialect) -> None:
    """Begin to feed a drive, if it needs more than polls."""
    message = feeding_message(dialect)
    if message is not None:
        feeder = Feeder(session, axis, message, feeding_period_ns(dialect))
        session.at(session.now(), feeder.due)
