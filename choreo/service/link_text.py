"""The report of a link check as text and as JSON: the verdict first, the nodes, the bus, what to look at."""

import json
import textwrap
from collections.abc import Iterator
from dataclasses import asdict
from math import ceil

from choreo.report.table import Column, printable, table
from choreo.service.link_figures import LinkReport, Load, NodeFigures
from choreo.service.link_verdict import Verdict, how_many, identifier_words, rate_words
from choreo.units import show_ns

#: Identifiers of others that are shown; the rest is in the JSON.
SHOWN = 12

_COLUMNS = (
    Column("axis", right=False, shrinks=8),
    Column("node"),
    Column("exchanges"),
    Column("lost"),
    Column("lost at most", keep=4),
    Column("wrong"),
    Column("gaps", keep=3),
    Column("min ms", keep=5),
    Column("median", keep=6),
    Column("99 %", keep=7),
    Column("max ms", keep=8),
)


def report_lines(report: LinkReport, verdict: Verdict, bus: str, width: int) -> Iterator[str]:
    """Lines of at most `width` cells."""
    yield from _prose(f"{report.machine} on {bus} at {rate_words(report.bit_rate)}: {verdict.headline}", width, "")
    for words in verdict.words:
        yield from _prose(words, width)
    yield ""
    if report.exchanges:
        yield from _nodes(report, width)
        yield ""
    yield from _bus(report, width)
    if verdict.hints:
        yield ""
        yield "Look at:"
        for hint in verdict.hints:
            yield from _prose(hint, width, "  - ")


def _nodes(report: LinkReport, width: int) -> Iterator[str]:
    what = " and ".join(sorted({node.what for node in report.nodes}))
    counted = any(node.skipped is not None for node in report.nodes)
    gaps = "; gaps: by the drive's own count of its frames" if counted else ""
    yield from _prose(
        f"Nodes: {what}, one every {show_ns(report.every_ns)}; times from request to reply; lost at most: 95 % bound; "
        f"wrong: replies that answered nothing{gaps}",
        width,
        "",
    )
    shown = [place for place, column in enumerate(_COLUMNS) if counted or column.head != "gaps"]
    rows = [_row(node) for node in report.nodes]
    yield from table([_COLUMNS[place] for place in shown], [[row[place] for place in shown] for row in rows], width)


def _row(node: NodeFigures) -> tuple[str, ...]:
    gaps = "-" if node.skipped is None else str(node.skipped + (node.repeated or 0))
    times = (_ms(node.min_ns), _ms(node.median_ns), _ms(node.p99_ns), _ms(node.max_ns))
    bound = f"{ceil(10_000 * node.bound) / 100:.2f} %" if node.exchanges else "-"  # rounded down it would be none
    return (node.axis, str(node.node), str(node.exchanges), str(node.lost), bound, str(node.wrong), gaps, *times)


def _bus(report: LinkReport, width: int) -> Iterator[str]:
    rows = [f"before anything was sent, {show_ns(report.listened_ns)}: {_load(report.quiet)}"]
    if report.measured_ns:
        rows.append(f"during the exchanges, {_seconds(report.measured_ns)}: {_load(report.busy)}")
    if report.quiet.frames or report.busy.frames:
        rows.append("(load is bounded: with no stuff bit at all, and with as many as there could ever be)")
    if not report.error_frames:
        rows.append("error frames: none reported (adapters on a serial line report none)")
    rows += [f"{what}: {count}" for what, count in report.troubles]
    if report.fd_frames is not None:
        rows.append(f"CAN FD frames: {report.fd_frames or 'none'}")
    rows.append(_others_asked(report))
    yield "Bus"
    for row in rows:
        yield from _prose(row, width)
    for other in report.others[:SHOWN]:
        seen = f"{how_many(other.frames, 'frame')}, {other.before} of them before anything was sent"
        yield from _prose(f"{identifier_words(other)}: {seen}; {other.whose}", width)
    if len(report.others) > SHOWN:
        yield f"  and {len(report.others) - SHOWN} identifiers more"
    if not report.others:
        yield "  nobody else was heard"


def _others_asked(report: LinkReport) -> str:
    answered = sum(one.answered for one in report.strangers)
    what = f"other node numbers: {report.asked_others} asked, {answered or 'none'} answered"
    if report.not_asked:
        what += f"; {len(report.not_asked)} could not be asked without meaning something to another node"
    return what


def _load(load: Load) -> str:
    if not load.frames:
        return "no frame"
    return f"load {100 * load.least:.1f} to {100 * load.most:.1f} %, {how_many(load.frames, 'frame')}"


def report_json(report: LinkReport, verdict: Verdict, bus: str) -> str:
    """Everything, with the verdict. Times are nanoseconds, shares lie between 0 and 1."""
    nodes = [asdict(node) | {"wrong": node.wrong, "silent": node.silent, "sound": node.sound} for node in report.nodes]
    told = asdict(report) | {"nodes": nodes, "troubles": dict(report.troubles)}
    head = {"good": verdict.good, "headline": verdict.headline, "words": verdict.words, "hints": verdict.hints}
    return json.dumps({"bus": bus, "verdict": head} | told, indent=2, ensure_ascii=False)


def _prose(text: str, width: int, indent: str = "  ") -> list[str]:
    deeper = " " * len(indent) if indent else "  "
    return textwrap.wrap(
        printable(text), max(width, 40), initial_indent=indent, subsequent_indent=deeper, break_on_hyphens=False
    )


def _ms(ns: int | None) -> str:
    return "-" if ns is None else f"{ns / 1e6:.2f}"


def _seconds(ns: int) -> str:
    return f"{ns / 1e9:.1f} s"
