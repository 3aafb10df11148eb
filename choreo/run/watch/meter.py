"""
What the bus carries while a run goes on, for the screen: a `traffic` record every half second on a real bus.

The load is counted from the frames that were handed over and heard, each taken to be as long as it can be at the most
(facts.md A4), so that it is an upper bound of what choreo knows of.
"""

from choreo.frame import Frame
from choreo.run.context import Run
from choreo.run.log import MS
from choreo.wire.lengths import longest_bits

SPAN_NS = 500 * MS


def measure(run: Run) -> None:
    """Write a `traffic` record every `SPAN_NS` from now on."""
    session = run.session
    session.traffic.took = []

    def due(now: int) -> int:
        since = now - SPAN_NS
        frames = session.traffic.frames_since(since)
        took, session.traffic.took = sorted(session.traffic.took or ()), []
        session.record(
            "traffic",
            span_ns=SPAN_NS,
            frames=len(frames),
            replies=len(took),
            median_ns=took[(len(took) - 1) // 2] if took else None,
            worst_ns=took[-1] if took else None,
            load=round(sum(map(_bits, frames)) * 1e9 / SPAN_NS / run.plan.bit_rate, 4),
        )
        return now + SPAN_NS

    session.at(session.now() + SPAN_NS, due)


def _bits(frame: Frame) -> int:
    return longest_bits(len(frame.data), frame.extended)
