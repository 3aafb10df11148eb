"""
The link check: counted exchanges with each node of a machine, and who else is on the bus (practice.md P3, P28, P35).

    1  only listen, for a moment
    2  read each node's position a few times: two nodes with one number contradict each other (P36)
    3  ask every other node number of the machine's dialects whether it is there
    4  counted exchanges at regular times, by default as often as a run would read the positions

Nothing is sent but echoes and readings, which the guard sees to; drives may be enabled or not. A loss is a figure here
and no fault: the session goes on as it does while stopping, where findings are not raised.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass

from choreo.drive.conversation import Ask
from choreo.errors import RecipeError
from choreo.frame import Frame
from choreo.link.port import Link
from choreo.plan.model import Plan
from choreo.service.bench import Bench
from choreo.service.ear import Passed
from choreo.service.link_figures import LinkReport, Load
from choreo.service.others import foreign_host, said_by_another
from choreo.service.peers import Peer
from choreo.service.reporting import whole_report
from choreo.units import NS_PER_S

LISTEN_NS = 500_000_000
#: No loss in so many exchanges bounds the loss at 1 % (P28).
EXCHANGES = 300
#: About one exchange a second is the way to watch a link (P35, P36).
SOAK_EVERY_NS = NS_PER_S
#: Readings of each position, to find two nodes of one number.
LOOKS = 10
#: A node that has never answered so many exchanges is not asked again, unless time is to be filled anyway.
SILENT_AFTER = 30
#: More exchanges with one node than this are refused: their times would fill the memory.
MOST_EXCHANGES = 10_000_000
PROGRESS_NS = NS_PER_S


@dataclass(frozen=True, slots=True)
class Wanted:
    """
    How much is measured: `exchanges` with each node (`EXCHANGES` if nothing is said), or as many as `for_ns` has room
    for. `every_ns` is from one exchange with a node to the next; None: once a second where `for_ns` is given, and
    otherwise as often as a run would read the position.
    """

    exchanges: int | None = None
    for_ns: int | None = None
    every_ns: int | None = None
    listen_ns: int = LISTEN_NS

    def __post_init__(self) -> None:
        """Raises RecipeError for what cannot be done."""
        if self.exchanges is not None and self.for_ns is not None:
            raise RecipeError("a link check ends after a number of exchanges or after a time, not both", rule="usage")
        every_ns = self.every_ns or SOAK_EVERY_NS
        many = self.exchanges if self.for_ns is None else self.for_ns // every_ns
        if many is not None and not 1 <= many <= MOST_EXCHANGES:
            raise RecipeError(
                f"{many} exchanges with each node are asked for; 1 to {MOST_EXCHANGES} are possible",
                rule="exchanges",
                help="Measure for another time, or leave another time between two exchanges.",
            )

    @property
    def target(self) -> int | None:
        """Exchanges with each node; None where time decides."""
        return (self.exchanges or EXCHANGES) if self.for_ns is None else None


@dataclass(frozen=True, slots=True)
class Progress:
    """How far it is: since when exchanges go on, out of how much; over all nodes; `load` as measured at the most."""

    t_ns: int
    for_ns: int | None
    exchanges: int
    target: int | None
    lost: int
    wrong: int
    worst_ns: int
    load: float


async def check_link(
    plan: Plan, link: Link, wanted: Wanted | None = None, watch: Callable[[Progress], None] = lambda progress: None
) -> LinkReport:
    """
    Measure the link to the machine of a plan. An interrupt ends it early, with what was measured until then; so does a
    lost adapter. `watch` is called about once a second while exchanges go on: it never waits and never raises.

    Raises:
        RecipeError: somebody else speaks to this machine's nodes already. Nothing was sent then.
    """
    return await LinkCheck(plan, link, wanted or Wanted(), watch).whole()


class LinkCheck:
    """One while it goes on."""

    def __init__(self, plan: Plan, link: Link, wanted: Wanted, watch: Callable[[Progress], None]) -> None:
        self.plan = plan
        self.wanted = wanted
        self.watch = watch
        self.bench = Bench(plan, link)
        self.commanded = ""
        self.every_ns = wanted.every_ns or (plan.poll_ns if wanted.for_ns is None else SOAK_EVERY_NS)
        self._time_over = False
        self._began_ns = 0
        self._before = Passed()  # what had passed when exchanges began
        self.bench.ear.on_frame = self._hear

    async def whole(self) -> LinkReport:
        """See `check_link`."""
        bench = self.bench
        await self._wait(lambda: False, self.wanted.listen_ns)
        if self.commanded:
            raise foreign_host(self.commanded)
        quiet = self._load(bench.ear.passed, self.wanted.listen_ns)
        bench.listening_is_over()
        self._time_over = False
        await self._each(bench.peers, min(LOOKS, self.wanted.target or LOOKS), Peer.position_ask)
        await self._each(bench.candidates(), 1, bench.with_again)
        self._begin()
        await self._exchanges()
        span = bench.session.now() - self._began_ns
        busy = self._load(bench.ear.passed.since(self._before), span)
        return whole_report(
            self.plan,
            bench,
            quiet,
            busy,
            every_ns=self.every_ns,
            ended=self._ended(),
            commanded=self.commanded,
        )

    # ---- waiting -------------------------------------------------------------------------------------------------

    def _ended(self) -> str:
        """Why it is over before its time; empty while it is not."""
        ear = self.bench.ear
        if ear.lost:
            return f"the adapter is lost: {ear.lost}"
        if ear.interrupted:
            return f"ended by the operator: {ear.interrupted}"
        return f"somebody else on the bus {self.commanded}" if self.commanded else ""

    async def _wait(self, over: Callable[[], bool], at_most_ns: int | None = None) -> None:
        """Until it is over, or the time is, or something ends it all; what is out is waited for."""
        session, ear = self.bench.session, self.bench.ear
        late: list[int] = []
        if at_most_ns is not None:
            session.at(session.now() + at_most_ns, late.append)
        await session.turns(lambda: bool(ear.lost or late or self._ended() or over()))
        self._time_over = True
        if not ear.lost:
            await session.turns(lambda: bool(ear.lost) or not any(peer.pending for peer in self.bench.every))

    async def _each(self, peers: list[Peer], times: int, ask: Callable[[Peer], Ask]) -> None:
        """So many requests to each of them, one after the other; all of them side by side."""
        left = {peer.index: times for peer in peers}

        def go_on(peer: Peer) -> None:
            if left[peer.index] and not self._ended():
                left[peer.index] -= 1
                self.bench.ask(peer, ask(peer), go_on)

        if peers and not self._ended():
            for peer in peers:
                go_on(peer)
            await self._wait(lambda: not any(peer.pending for peer in peers) and not any(left.values()))

    # ---- exchanges -----------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        """From now on exchanges count for the load and for the time that is over."""
        self._time_over = False
        self._before = self.bench.ear.passed.copy()
        self._began_ns = self.bench.session.now()
        self.bench.session.at(self._began_ns + PROGRESS_NS, self._progress)

    async def _exchanges(self) -> None:
        bench, every = self.bench, self.every_ns
        if self._ended():
            return
        for place, peer in enumerate(bench.peers):
            first_ns = self._began_ns + place * every // len(bench.peers)
            bench.session.at(first_ns, self._regularly(peer, first_ns, every))
        await self._wait(lambda: all(map(self._enough, bench.peers)), self.wanted.for_ns)

    def _enough(self, peer: Peer) -> bool:
        """Whether this node need not be asked again."""
        target = self.wanted.target
        if target is None:
            return False
        return peer.exchanges >= target or (peer.exchanges >= SILENT_AFTER and not peer.answered)

    def _regularly(self, peer: Peer, due_ns: int, every_ns: int) -> Callable[[int], int | None]:
        over_ns = self._began_ns + self.wanted.for_ns if self.wanted.for_ns is not None else sys.maxsize

        def job(now: int) -> int | None:
            nonlocal due_ns
            if self._time_over or self._ended() or self._enough(peer) or now >= over_ns:
                return None
            if peer.pending:
                peer.overruns += 1
            else:
                self.bench.ask(peer, peer.next_ask(), lambda peer: None)
            due_ns = max(due_ns + every_ns, now + 1)  # what was missed is made up for by nobody
            return due_ns

        return job

    def _progress(self, now: int) -> int | None:
        bench, wanted = self.bench, self.wanted
        if self._time_over:
            return None
        self.watch(
            Progress(
                t_ns=now - self._began_ns,
                for_ns=wanted.for_ns,
                exchanges=sum(peer.exchanges for peer in bench.peers),
                target=None if wanted.target is None else wanted.target * len(bench.peers),
                lost=sum(peer.lost() for peer in bench.peers),
                wrong=sum(peer.wrong for peer in bench.peers),
                worst_ns=max((peer.worst_ns for peer in bench.peers), default=0),
                load=self._load(bench.ear.passed.since(self._before), now - self._began_ns).most,
            )
        )
        return now + PROGRESS_NS

    def _load(self, passed: Passed, span_ns: int) -> Load:
        share = NS_PER_S / max(span_ns, 1) / self.plan.bit_rate
        least, most = min(passed.least_bits * share, 1.0), min(passed.most_bits * share, 1.0)
        return Load(span_ns, passed.frames, least, most)

    # ---- what is heard -------------------------------------------------------------------------------------------

    def _hear(self, frame: Frame) -> None:
        """Requests that are not ours are another host's (P18)."""
        if not self.commanded and (frame.id, frame.extended, frame.remote) not in self.bench.ours:
            self.commanded = said_by_another(frame, self.plan.dialects.values(), self.bench.names)
