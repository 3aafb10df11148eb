"""
What a link check works with: a session with a guard that lets nothing out but questions, a lane for each node, and the
ear on the link.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from choreo.drive.conversation import Ask
from choreo.drive.counters import Counters
from choreo.drive.families import make_drive
from choreo.errors import ChoreoError
from choreo.frame import frame_of
from choreo.journal.writer import JournalWriter
from choreo.link.port import Link
from choreo.plan.model import Plan
from choreo.run.guard import Guard, GuardRefusal
from choreo.run.requests.pacing import pace_of
from choreo.run.session import Session
from choreo.service.ear import Ear
from choreo.service.peers import Peer
from choreo.wire.dialect import Dialect

#: A node that may not be there is asked once more: the first question may have been lost.
ASKED_AGAIN = 1
#: And not waited for longer, because most are not there. One that answers later is heard all the same.
STRANGER_NS = 100_000_000

#: Identifier, 29 bits or not, remote or not.
Key = tuple[int, bool, bool]


class Bench:
    """
    `peers` are the machine's nodes in the order of its axes, `strangers` those that may be there besides, `every` both.
    `ours` are the identifiers on which the machine's own drives speak, `names` its axes by node.
    """

    def __init__(self, plan: Plan, link: Link) -> None:
        self.plan = plan
        self.ear = Ear(link)
        self.names = {axis.node: axis.name for axis in plan.axes}
        self.ours: set[Key] = set()
        self.every: list[Peer] = []
        self.strangers: list[Peer] = []
        self.not_asked: list[str] = []
        self.before: dict[Key, int] = {}  # frames by identifier before anything was sent
        self._titles: list[str] = []
        self._by_title: dict[str, Peer] = {}
        self._counters = Counters()
        self._paces = {name: pace_of(dialect.timing) for name, dialect in plan.dialects.items()}
        self._guard = Guard(
            plan.dialects,
            [(limits, axis.dialect) for limits, axis in zip(plan.node_limits, plan.axes, strict=True)],
        )
        self._guard.only_look()
        self.session = Session(self.ear, self._guard, JournalWriter(None, observer=self._noted), self._titles)
        self.session.begin_stopping()  # a loss is counted and not raised; and nothing that moves could leave anyway
        for axis in plan.axes:
            peer = self._add(axis.name, axis.dialect, axis.node, axis.reply_timeout_ns)
            extended = peer.dialect.extended
            self.ours |= {(id, extended, False) for id in (peer.drive.lane, *peer.drive.event_ids)}
            for id in peer.drive.event_ids:
                self.session.traffic.listen(id, lambda frame: None, peer.index)
        self.peers = list(self.every)

    def _add(self, title: str, speaks: str, node: int, timeout_ns: int) -> Peer:
        dialect, place = self.plan.dialects[speaks], len(self.every)
        drive = make_drive(dialect, node, self._counters)
        peer = Peer(title, drive, speaks, dialect, place, self.session.now)
        self._titles.append(title)
        self._by_title[title] = peer
        self.every.append(peer)
        traffic = self.session.traffic
        traffic.add_lane(
            drive.lane,
            place,
            timeout_ns,
            peer.barrier,
            pace=self._paces[speaks],
            own_count=drive.own_count,
            extended=dialect.extended,
        )
        peer.lane = traffic.lane(place)
        return peer

    def _noted(self, kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        """What the session writes down: replies that answered nothing."""
        if kind == "late":
            self._by_title[fields["axis"]].unasked(frame_of(fields["frame"]))

    def listening_is_over(self) -> None:
        """What was heard until now was not caused by us."""
        self.before = {key: sighting.frames for key, sighting in self.ear.seen.items()}

    # ---- asking ----------------------------------------------------------------------------------------------------

    def ask(self, peer: Peer, ask: Ask, then: Callable[[Peer], None]) -> None:
        """One request; `then` when it is over, well or not."""
        peer.pending = True

        def done(value: Any, asked_ns: int, arrived_ns: int, tries: int) -> None:
            peer.pending = False
            then(peer)

        def failed(error: ChoreoError) -> None:
            peer.gave_up()
            self.session.at(self.session.now(), lambda now: done(None, 0, now, 0))  # not in the middle of giving up

        self.session.traffic.ask(ask, done, failed)

    def with_again(self, peer: Peer) -> Ask:
        """The question to a node that may not be there."""
        return replace(peer.next_ask(), again=ASKED_AGAIN)

    def candidates(self) -> list[Peer]:
        """
        A peer for each node number that no axis has and a dialect of the machine allows. Those that cannot be asked for
        sure without saying something else to somebody else are named in `not_asked`.
        """
        taken = set(self.ours)
        for name, dialect in self.plan.dialects.items():
            first, last = dialect.node_range
            for node in range(first, last + 1):
                if node not in self.names:
                    self._candidate(name, dialect, node, taken)
        return self.strangers

    def _candidate(self, name: str, dialect: Dialect, node: int, taken: set[Key]) -> None:
        title = f"node {node} ({name})"
        drive = make_drive(dialect, node, self._counters)
        lane = drive.lane, dialect.extended, False
        try:
            if lane in taken:
                raise GuardRefusal(f"its replies would come as frame {drive.lane:X}, which is another node's")
            probe = Peer(title, drive, name, dialect, 0, self.session.now)
            self._guard.check(probe.plain_ask().frame)
        except GuardRefusal:
            self.not_asked.append(title)
            return
        taken.add(lane)
        timeout_ns = min(max(axis.reply_timeout_ns for axis in self.plan.axes), STRANGER_NS)
        self.strangers.append(self._add(title, name, node, timeout_ns))
