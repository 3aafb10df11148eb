"""
Findings as text.

    recipes/pick.yaml:23:23  lift would move at 180 mm/s, above its limit of 150 mm/s   (speed-limit)
        22 |   - move:
        23 |       lift: {to: 420 mm, speed: 180 mm/s}
           |                                 ^^^^^^^^ 30 mm/s too fast
         7 |   lift: {speed: 150 mm/s, acceleration: 1 m/s^2}
           |                 ^^^^^^^^ the limit
      Lower the speed to 150 mm/s, or raise the limit if the drive and the machine allow it.

The line above the marked one is its parent: the nearest before it that is indented less. A mark in another file than
the one before is announced by that file's name. Help and note follow, indented by two.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from choreo.diagnostic.excerpt import beginning, excerpt
from choreo.diagnostic.finding import Finding, Level, Mark, Span
from choreo.diagnostic.order import by_position

Lines = Mapping[str, Sequence[str]]

_NUMBER = 6


def one_line(finding: Finding) -> str:
    """`file:line:column: level: headline (rule)`: complete on its own."""
    place = f"{finding.primary.span}: " if finding.primary else ""
    return f"{place}{finding.level}: {finding.headline} ({finding.rule})"


def full_text(findings: Iterable[Finding], lines: Lines) -> str:
    """All findings by position, each with the lines that it speaks of, an empty line between two."""
    return "\n".join("\n".join(_block(finding, lines)) + "\n" for finding in by_position(findings))


def as_data(finding: Finding) -> dict[str, Any]:
    """A finding as JSON has it. Lines and columns count from 1; a finding without a place has null for it."""
    return {
        "rule": finding.rule,
        "level": str(finding.level),
        "headline": finding.headline,
        "place": _mark_data(finding.primary) if finding.primary else None,
        "others": [_mark_data(mark) for mark in finding.others],
        "help": finding.help,
        "note": finding.note,
    }


def json_text(findings: Iterable[Finding]) -> str:
    """All findings by position as one JSON list."""
    return json.dumps([as_data(finding) for finding in by_position(findings)], indent=2, ensure_ascii=False)


def _mark_data(mark: Mark) -> dict[str, Any]:
    span = mark.span
    return {
        "file": span.file,
        "line": span.line,
        "column": span.column,
        "length": span.length,
        "label": mark.label,
    }


def _block(finding: Finding, lines: Lines) -> list[str]:
    place = f"{finding.primary.span}  " if finding.primary else ""
    level = "" if finding.level is Level.ERROR else f"{finding.level}: "
    rows = [f"{place}{level}{finding.headline}   ({finding.rule})"]
    before: Span | None = None
    for mark in (*((finding.primary,) if finding.primary else ()), *finding.others):
        new = _marked(mark, before, lines)
        # A second mark in the same piece of the same line shares it.
        shares = before is not None and len(new) == 2 and new[0] in rows and _same_line(before, mark.span)
        rows += new[1:] if shares else new
        before = mark.span
    if finding.help:
        rows.append(f"  {finding.help}")
    if finding.note:
        rows.append(f"  Note: {finding.note}")
    return rows


def _same_line(one: Span, other: Span) -> bool:
    return (one.file, one.line) == (other.file, other.line)


def _marked(mark: Mark, before: Span | None, lines: Lines) -> list[str]:
    """The rows of one mark; `before` is the span of the mark above it."""
    span = mark.span
    text = lines.get(span.file, ())
    rows = []
    if before is not None and before.file != span.file:
        rows.append(f"  in {span.file}:")
    if not 1 <= span.line <= len(text):
        return [*rows, f"  {span}  {mark.label}".rstrip()] if before is not None else rows
    parent = _parent(text, span.line) if before is None else 0
    if parent:
        rows.append(f"{parent:>{_NUMBER}} | {beginning(text[parent - 1])}")
    shown = excerpt(text[span.line - 1], span.column, span.length)
    rows.append(f"{span.line:>{_NUMBER}} | {shown.text}".rstrip())
    rows.append(f"{'':>{_NUMBER}} | {shown.marks} {mark.label}".rstrip())
    return rows


def _parent(text: Sequence[str], line: int) -> int:
    """The number of the nearest line above that is indented less and is no comment; 0 when there is none."""
    own = _indent(text[line - 1])
    for number in range(line - 1, 0, -1):
        candidate = text[number - 1]
        stripped = candidate.strip()
        if own and stripped and not stripped.startswith("#") and _indent(candidate) < own:
            return number
    return 0


def _indent(text: str) -> int:
    return len(text) - len(text.lstrip())
