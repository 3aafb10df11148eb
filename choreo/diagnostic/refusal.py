"""Files refused because of findings: the one exception that carries several."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from choreo.diagnostic.finding import Finding, Level
from choreo.diagnostic.order import by_position
from choreo.errors import RecipeError


class Refused(RecipeError):
    """
    A recipe, a machine file, a dialect file or the command line is refused.

    `findings` are all of one reading, warnings included, by position. `lines` are the lines of the files that were
    read, by the name that spans use: what a rendering shows.
    """

    def __init__(self, findings: Iterable[Finding], lines: Mapping[str, Sequence[str]] | None = None) -> None:
        self.findings = by_position(findings)
        self.lines: Mapping[str, Sequence[str]] = lines if lines is not None else {}
        errors = [finding for finding in self.findings if finding.level is Level.ERROR] or list(self.findings)
        first = errors[0]
        place = f"{first.primary.span}: " if first.primary else ""
        more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
        super().__init__(f"{place}{first.headline}{more}", rule=first.rule, help=first.help)
