"""The order in which findings are shown."""

from __future__ import annotations

from collections.abc import Iterable

from choreo.diagnostic.finding import Finding


def by_position(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """
    Sorted by file, line and column; what has no place comes first. Files come in the order in which they first appear.

    Findings that say the same of the same place are said once: an axis taken over by `like:` repeats its model's.
    """
    unique = {(f.rule, f.headline, f.primary): f for f in findings}.values()
    files: dict[str, int] = {}
    for finding in unique:
        if finding.primary:
            files.setdefault(finding.primary.span.file, len(files))
    return tuple(sorted(unique, key=lambda finding: _key(finding, files)))


def _key(finding: Finding, files: dict[str, int]) -> tuple[int, int, int, str, str]:
    if finding.primary is None:
        return (-1, 0, 0, finding.rule, finding.headline)
    span = finding.primary.span
    return (files[span.file], span.line, span.column, finding.rule, finding.headline)
