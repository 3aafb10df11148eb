"""From what a link check counted to what it reports."""

from choreo.plan.model import Plan
from choreo.report.links import loss_bound
from choreo.service.bench import Bench, Key
from choreo.service.ear import Sighting
from choreo.service.link_figures import LinkReport, Load, NodeFigures, Other, Stranger, percentile
from choreo.service.peers import Peer
from choreo.wire.dialect import TO_ALL, Dialect
from choreo.wire.lengths import longest_ns


def whole_report(
    plan: Plan,
    bench: Bench,
    quiet: Load,
    busy: Load,
    *,
    every_ns: int,
    ended: str = "",
    commanded: str = "",
) -> LinkReport:
    """Everything that was counted, with what the conduct of the check knows besides."""
    strangers = _strangers(plan, bench)
    return LinkReport(
        machine=plan.machine,
        bit_rate=plan.bit_rate,
        listened_ns=quiet.span_ns,
        measured_ns=busy.span_ns,
        nodes=tuple(_figures(plan, peer) for peer in bench.peers),
        asked_others=sum(peer.exchanges > 0 for peer in bench.strangers),
        not_asked=tuple(bench.not_asked),
        strangers=strangers,
        others=_others(plan, bench, strangers),
        quiet=quiet,
        busy=busy,
        troubles=tuple(sorted(bench.ear.troubles.items())),
        error_frames=bench.ear.error_frames,
        fd_frames=bench.ear.fd_frames,
        every_ns=every_ns,
        adapter_ns=plan.adapter_ns,
        ended=ended,
        lost_adapter=bench.ear.lost,
        commanded=commanded,
    )


def _figures(plan: Plan, peer: Peer) -> NodeFigures:
    took, lost = sorted(peer.took_ns), peer.lost()
    asked = lost + peer.answered
    own = None if peer.lane is None else peer.lane.own
    return NodeFigures(
        axis=peer.name,
        node=peer.drive.node,
        dialect=peer.speaks,
        what="counted echoes" if peer.echoes else "readings of the position",
        exchanges=asked,
        lost=lost,
        bound=loss_bound(asked, lost),
        refused=peer.refused,
        late=peer.late,
        doubled=peer.doubled,
        contradicting=peer.contradicting,
        strange=peer.strange,
        skipped=None if own is None else own.skipped,
        repeated=None if own is None else own.repeated,
        min_ns=took[0] if took else None,
        median_ns=percentile(took, 50),
        p99_ns=percentile(took, 99),
        max_ns=took[-1] if took else None,
        frames_ns=_frames_ns(peer.dialect, plan.bit_rate),
        drive_ns=peer.dialect.timing.reply_within_ns,
        overruns=peer.overruns,
    )


def _frames_ns(dialect: Dialect, bit_rate: int) -> int:
    """Request and reply on a bus without anybody else, at the most."""
    request, reply = dialect.poll_bytes
    return longest_ns(request, bit_rate, dialect.extended) + longest_ns(reply, bit_rate, dialect.extended)


def _strangers(plan: Plan, bench: Bench) -> tuple[Stranger, ...]:
    """Who answered, and who only spoke; an identifier may belong to a node of more than one dialect."""
    found = {
        (peer.drive.node, peer.speaks): Stranger(peer.drive.node, peer.speaks, True, peer.worst_ns)
        for peer in bench.strangers
        if peer.answered
    }
    for key, sighting in bench.ear.seen.items():
        if key in bench.ours:
            continue
        for name, dialect in plan.dialects.items():
            told = dialect.decode(sighting.first)
            if told is not None and told.from_drive and told.node is not None and told.node not in bench.names:
                found.setdefault((told.node, name), Stranger(told.node, name, False, None))
    return tuple(found[key] for key in sorted(found))


def _others(plan: Plan, bench: Bench, strangers: tuple[Stranger, ...]) -> tuple[Other, ...]:
    """What neither the machine's drives said, nor a stranger because we had asked it."""
    answers = {(peer.drive.lane, peer.dialect.extended, False) for peer in bench.strangers if peer.answered}
    return tuple(
        Other(
            identifier=sighting.first.id,
            extended=sighting.first.extended,
            remote=sighting.first.remote,
            frames=sighting.frames,
            before=bench.before.get(key, 0),
            whose=_whose(plan, bench, key, sighting),
            example=sighting.first.text(),
        )
        for key, sighting in sorted(bench.ear.seen.items())
        if key not in bench.ours and (key not in answers or key in bench.before)
    )


def _whose(plan: Plan, bench: Bench, key: Key, sighting: Sighting) -> str:
    identifier, extended, remote = key
    if remote:
        return "a remote frame, which no drive of this machine asks with"
    for name, dialect in plan.dialects.items():
        told = dialect.decode(sighting.first)
        node = told.node if told is not None else None
        if told is None:
            node = dialect.addressee(identifier) if dialect.extended is extended else None
            if node is None:
                continue
        what = told.message if told is not None else "something that the dialect has not"
        whom = "all nodes" if node in (None, TO_ALL) else bench.names.get(node or 0, f"node {node}")
        if told is not None and told.from_drive:
            return f"{what} of {whom}, which nobody declared ({name})"
        return f"{what} to or from {whom} ({name}), not by choreo"
    return "none of this machine's dialects"
