"""
What a link check means: a verdict in words, and what to look at when it is bad.

The hints are common practice of commissioning (practice.md P30, P34 to P36, no source); lengths of line are a published
table (choreo/wire/line.py).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import ROUND_CEILING, Context

from choreo.service.link_figures import LinkReport, NodeFigures, Other
from choreo.units import NS_PER_S
from choreo.wire.line import LENGTHS, longest_line

#: So many replies that came twice, or contradict, out of all: no accident of the bus, but two nodes with one number.
TWICE_SHARE = 0.2
#: No loss in so many exchanges still allows one of seventeen to be lost (P28): fewer say next to nothing.
FEW = 50
#: A bus that is so full of others' frames leaves little for this machine.
FULL = 0.5
#: Replies that take so much longer than their frames: an adapter on a slow line, perhaps (P30).
SLOW_NS = 2_000_000

WIRING = (
    "Wiring: CAN high, CAN low and ground from node to node in one line, the two signals as a twisted pair, short "
    "stubs, 120 ohm at the two ends and nowhere else. With power off 60 ohm between the two lines."
)


@dataclass(frozen=True, slots=True)
class Verdict:
    """
    `good`: every node of the machine answered everything, once, with the right count. `words` say so or what is wrong,
    and what else must be known; `hints` are what to look at, likeliest first.
    """

    good: bool
    headline: str
    words: tuple[str, ...]
    hints: tuple[str, ...]


def judge(report: LinkReport) -> Verdict:
    """The verdict on what was measured."""
    measured = report.exchanges > 0
    good = measured and not (report.lost_adapter or report.commanded) and all(node.sound for node in report.nodes)
    return Verdict(good, _headline(report, good), tuple(_words(report)), tuple(_hints(report)))


def _headline(report: LinkReport, good: bool) -> str:
    if not report.exchanges:
        return "the adapter is lost" if report.lost_adapter else "nothing was measured"
    if good and min(node.exchanges for node in report.nodes) < FEW:
        return "nothing wrong yet, in too few exchanges to call the link good"
    if good and report.strangers:
        return f"the link is good; on the bus and not declared: {how_many(len(report.strangers), 'node')}"
    return "the link is good" if good else "the link is bad"


# ---- words -----------------------------------------------------------------------------------------------------------


def _words(report: LinkReport) -> Iterator[str]:
    if report.ended:
        yield f"{report.ended[0].upper()}{report.ended[1:]}."
    if report.exchanges and all(node.sound for node in report.nodes):
        yield _all_sound(report.nodes)
    for node in report.nodes:
        if node.exchanges and not node.sound:
            yield _unsound(node)
        elif not node.exchanges and report.exchanges:
            yield f"{_named(node)} was not asked."
    if report.strangers:
        nodes = ", ".join(
            f"node {one.node} ({one.dialect}{'' if one.answered else ', not asked: it spoke by itself'})"
            for one in report.strangers
        )
        yield (
            f"On the bus and not declared: {nodes}. A start trigger goes to all nodes, to "
            f"{_these(len(report.strangers))} as well."
        )
    if report.error_frames:
        yield f"{how_many(report.error_frames, 'error frame')} on the bus."
    if report.fd_frames:
        frames = how_many(report.fd_frames, "CAN FD frame")
        yield f"{frames} on the bus; classical nodes answer those with error frames."


def _all_sound(nodes: tuple[NodeFigures, ...]) -> str:
    least = min(node.exchanges for node in nodes)
    most = max(node.exchanges for node in nodes)
    many = str(least) if least == most else f"{least} to {most}"
    several = "Both nodes" if len(nodes) == 2 else f"All {len(nodes)} nodes"
    who = several if len(nodes) > 1 else _named(nodes[0])
    each = "each of their" if len(nodes) > 1 else "each of its"
    bound = max(node.bound for node in nodes)
    return f"{who} answered {each} {many} exchanges: with 95 % certainty no more than {_percent(bound)} get lost."


def _unsound(node: NodeFigures) -> str:
    if node.silent and not node.wrong:
        return f"{_named(node)} does not answer: {how_many(node.exchanges, 'exchange')}, no reply."
    found = []
    if node.lost:
        found.append(
            f"{node.lost} of {node.exchanges} exchanges lost (with 95 % certainty no more than {_percent(node.bound)})"
        )
    counted = (
        (node.late, "reply too late", "replies too late"),
        (node.doubled, "reply came twice", "replies came twice"),
        (node.contradicting, "reply contradicts the one before it", "replies contradict the one before them"),
        (node.strange, "reply to nothing that was asked", "replies to nothing that was asked"),
        (node.skipped or 0, "frame skipped by its own count", "frames skipped by its own count"),
        (node.repeated or 0, "frame repeated by its own count", "frames repeated by its own count"),
    )
    found += [f"{many} {one if many == 1 else several}" for many, one, several in counted if many]
    return f"{_named(node)}: {', '.join(found)}."


# ---- hints -----------------------------------------------------------------------------------------------------------


def _hints(report: LinkReport) -> Iterator[str]:
    asked = [node for node in report.nodes if node.exchanges]
    silent = [node for node in asked if node.silent]
    losing = [
        node for node in asked if node.lost > node.late and not node.silent
    ]  # a late reply was not lost on its way
    if report.commanded:
        yield (
            "Another program or host speaks to these nodes. End it before anything moves: two hosts fight over one "
            "machine."
        )
    if report.lost_adapter:
        yield from _adapter_lost(report)
    if report.quiet.least > FULL:
        yield _full(report)
    twice = [node for node in asked if _is_twice(node)]
    if twice:
        yield (
            f"Two nodes with one number? {_names(twice)} answers twice, or contradicts itself. Switch one drive after "
            "the other on, and give each a number of its own before it joins the bus."
        )
    if silent and len(silent) == len(asked):
        yield from _nobody(report)
    elif silent:
        strangers = [str(one.node) for one in report.strangers]
        other = f" Or it has another number: nobody declared {', '.join(strangers)}." if strangers else ""
        yield f"{_names(silent)}: look at the drive's power, its plug on the bus and its node number.{other}"
    if losing or report.error_frames or any(node.skipped for node in asked):
        if len(losing) == 1 and len(asked) > 1:
            yield f"Only {_names(losing)} loses frames: its plug and its stub first."
        yield WIRING
        yield "Works with the motors off and not with them on: ground, shield and terminators, in this order."
    if losing or silent or report.error_frames:
        yield _length(report.bit_rate)
    if report.fd_frames:
        yield "Take the CAN FD nodes off this bus, or keep them from sending FD frames."
    yield from _slow(report, asked)
    if any(node.strange for node in asked) and not twice:
        yield "Replies that nobody asked for: another host may ask these nodes, or an adapter repeats old frames."


def _full(report: LinkReport) -> str:
    most = max(report.others, key=lambda other: other.before, default=None)
    who = "" if most is None else f" Most of it has the identifier {identifier_words(most)}: {most.whose}."
    share = f"{100 * report.quiet.least:.0f} %"
    return f"The bus is {share} full before choreo says anything, and low identifiers win it.{who}"


def _adapter_lost(report: LinkReport) -> Iterator[str]:
    if "in the adapter for" in report.lost_adapter:  # nobody took the frame from it
        yield (
            "No frame gets out: an adapter that no other node acknowledges sends the same frame for ever. Are the "
            f"drives on, is the adapter on this bus, do all nodes have {rate_words(report.bit_rate)}?"
        )
    else:
        yield "Look at the adapter's plug at the computer, and whether another program holds it."


def _nobody(report: LinkReport) -> Iterator[str]:
    if report.others or report.strangers:
        yield (
            "The bus is alive, others were heard; so the bit rate is right for them. Look at the node numbers and at "
            "the dialect of the machine's drives."
        )
        return
    yield (
        f"Nobody answers. In this order: are the drives on; does every node have {rate_words(report.bit_rate)}; is CAN "
        "high on CAN high; is ground connected; is the adapter on this bus at all."
    )
    yield WIRING


def _slow(report: LinkReport, asked: list[NodeFigures]) -> Iterator[str]:
    heard = [node for node in asked if node.min_ns is not None]
    if not heard:
        return
    beyond = max((node.max_ns or 0) - node.frames_ns - node.drive_ns for node in heard)
    if beyond > report.adapter_ns:
        declared = (
            f"the recipe declares {_ms(report.adapter_ns)}" if report.adapter_ns else "the recipe declares nothing"
        )
        yield (
            f"Adapter and computer add up to {_ms(beyond)} to a reply, and {declared}: write "
            f"`adapter: {-(-beyond // 1_000_000)} ms` under `bus`, so that limits and checks count with it."
        )
    slack = min((node.min_ns or 0) - node.frames_ns for node in heard)
    if slack > SLOW_NS:
        yield (
            f"Even the quickest reply took {_ms(slack)} longer than its frames need. That is the drive, or a slow "
            "adapter: a serial line at 115200 baud needs 1.9 ms for a frame of 8 bytes, each way."
        )
    overruns = sum(node.overruns for node in heard if not node.silent)
    if overruns:
        yield (
            f"{how_many(overruns, 'exchange')} could not begin in time, the one before was still out: this link does "
            f"not keep up with one exchange every {_ms(report.every_ns)} with each of {len(asked)} nodes."
        )


def _is_twice(node: NodeFigures) -> bool:
    return node.contradicting > 0 or node.doubled > TWICE_SHARE * node.exchanges


def _length(bit_rate: int) -> str:
    table = ", ".join(f"{rate_words(rate)} {metres} m" for rate, metres in LENGTHS.items())
    return (
        f"Length: at {rate_words(bit_rate)} the line may be {longest_line(bit_rate)} m long. A slower bit rate, the "
        f"same on all nodes, goes further: {table} (CiA DS 102)."
    )


# ---- words for figures -----------------------------------------------------------------------------------------------


def _named(node: NodeFigures) -> str:
    return f"{node.axis} (node {node.node})"


def _names(nodes: list[NodeFigures]) -> str:
    return ", ".join(map(_named, nodes))


def _these(count: int) -> str:
    return "it" if count == 1 else "them"


def how_many(number: int, word: str) -> str:
    """`1 frame`, `2 frames`."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _percent(share: float) -> str:
    """Two figures, rounded up: a bound that is rounded down is none."""
    value = Context(prec=2, rounding=ROUND_CEILING).create_decimal(repr(share * 100))
    return f"{value:f} %"


def _ms(ns: int) -> str:
    return f"{ns / 1e6:.3g} ms" if ns < NS_PER_S else f"{ns / NS_PER_S:g} s"


def rate_words(bit_rate: int) -> str:
    """`500 kbit/s`."""
    return f"{bit_rate / 1e6:g} Mbit/s" if bit_rate >= 1_000_000 else f"{bit_rate / 1e3:g} kbit/s"


def identifier_words(other: Other) -> str:
    """`7F0`, `29-bit 18FF0102`."""
    return f"29-bit {other.identifier:08X}" if other.extended else f"{other.identifier:03X}"
