"""
What drives say unasked at regular times: three missed in a row are a finding, and the axis is taken for a lost node.

A drive that has stopped talking may have stopped doing anything else, and what its silence hides (a fault, a switch)
was to be heard in no other way (common practice, no source).
"""

from choreo.errors import MachineFault
from choreo.run.axes import Axis
from choreo.run.log import seconds
from choreo.run.session import Session

#: So many periods without a word: three missed, and half of one for a late frame.
PERIODS = 3.5


class Expected:
    """One kind of event of one drive."""

    def __init__(self, session: Session, axis: Axis, kind: str, period_ns: int) -> None:
        self._session = session
        self._axis = axis
        self._kind = kind
        self._period_ns = period_ns
        self._allowed_ns = round(PERIODS * period_ns)
        self._heard_ns = session.now()
        session.at(self._heard_ns + self._allowed_ns, self._look)

    def heard(self, t_ns: int) -> None:
        """It came."""
        self._heard_ns = t_ns

    def _look(self, now: int) -> int | None:
        due = self._heard_ns + self._allowed_ns
        if now < due:
            return due
        axis, what = self._axis, self._kind.replace("_", " ")
        self._session.report(
            MachineFault(
                f"{axis.name}: its drive is to say `{what}` every {seconds(self._period_ns)}, and has not for "
                f"{seconds(now - self._heard_ns)}",
                rule="event-missing",
                axis=axis.name,
                node=axis.plan.node,
                help="Look at this drive's power, its plug on the bus, and whether it is set to send this by itself.",
            )
        )
        return None  # said once
