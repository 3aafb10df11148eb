"""The journal of a run and the first fault in it: what every part of the run writes to."""

from typing import Any

from choreo.errors import ChoreoError, MachineFault
from choreo.journal.writer import JournalWriter
from choreo.link.port import Link

MS = 1_000_000


class NoReply(MachineFault):
    """A request was not answered, however often it may be asked."""


class Log:
    """Records carry the time since the run's start. `fault` is the first finding; the session raises it."""

    def __init__(self, link: Link, journal: JournalWriter) -> None:
        self.journal = journal
        self.start_ns = link.now_ns()
        self.fault: ChoreoError | None = None
        self.bus_lost: ChoreoError | None = None  # that several nodes fell silent together, once it is seen (P14)
        self.findings = 0  # how many were reported
        self.step: int | None = None  # the id of the step under way
        self._link = link

    def since_start(self, t_ns: int | None = None) -> int:
        """A link time (now, if None) as the run counts it."""
        return (self._link.now_ns() if t_ns is None else t_ns) - self.start_ns

    def record(self, kind: str, **fields: Any) -> None:
        """
        A journal record of this moment. A full disk is kept as a fault like any other and not raised here: this is
        called in the middle of polls, which the stop that follows needs.
        """
        try:
            self.journal.write(kind, self._link.now_ns() - self.start_ns, **fields)
        except MachineFault as failure:
            self.hold(failure)

    def report(self, fault: ChoreoError) -> None:
        """Record a finding, and keep the first."""
        self.findings += 1
        self.hold(fault)
        self.record(
            "finding",
            rule=fault.rule,
            level="error",
            axis=fault.axis,
            node=fault.node,
            step=self.step,
            headline=fault.headline,
            help=fault.help,
        )

    def hold(self, fault: ChoreoError) -> None:
        """Keep the first fault without a record of its own."""
        if self.fault is None:
            self.fault = fault


def named(error: ChoreoError, axis: str) -> ChoreoError:
    """A conversation knows its node and not the axis: put the axis' name to what it raised."""
    if error.axis is None:
        error.axis = axis
        error.headline = f"{axis}: {error.headline}"
    return error


def seconds(ns: int) -> str:
    """`12.5 ms` or `3.200 s`, for findings."""
    return f"{ns / 1e6:g} ms" if ns < 1_000_000_000 else f"{ns / 1e9:.3f} s"
