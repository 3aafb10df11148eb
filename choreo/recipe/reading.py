"""What one reading gathers while it goes: findings, uses of parameters, the files that were read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TypeVar

from pydantic_core import ValidationError

from choreo.diagnostic import Finding, Level, Mark, Refused, Span
from choreo.recipe.base import Part
from choreo.recipe.scalars import Amount, Kind, kind_of
from choreo.recipe.wrong import findings_of
from choreo.text.compose import compose
from choreo.text.source import Source, Sources
from choreo.text.tree import Branch, Items, Text, Tree

P = TypeVar("P", bound=Part)

#: After so many findings the reading ends: nobody reads more of them at once, and a hostile file has no end of them.
MOST_FINDINGS = 100
#: So many texts, mappings and lists may come of values that are put into steps.
MOST_FILLED = 4_000_000


class EnoughError(Exception):
    """The reading ends here; what it found so far is kept."""


class Reading:
    """
    One reading. `findings` is everything that came up, in any order; `uses` every reference to a parameter with what
    may stand at its place, `lines` what a rendering shows.
    """

    def __init__(self) -> None:
        self.findings: list[Finding] = []
        self.uses: list[tuple[Amount, Kind]] = []
        self.steps = 0  # how many have been read
        self.depth = 0  # how many lists of steps the one that is read stands in
        self.heights: dict[int, int] = {}  # steps inside of each other, by serial number of the outermost
        self.standing: Mapping[str, Text] = {}  # names of values that are put in where the reading is
        self._filled = 0
        self.sources = Sources()
        self.hashes: dict[str, str] = {}
        self.lines: dict[str, Sequence[str]] = {}

    def compose(self, source: Source) -> Branch | None:
        """The tree of a source; None when it is refused, with the finding kept."""
        self.sources.add(source)
        self.hashes[source.file] = source.sha256
        self.lines[source.file] = source.lines
        try:
            return compose(source)
        except Refused as refusal:
            self.keep(refusal.findings)
            return None

    def keep(self, findings: Iterable[Finding]) -> None:
        """Keep findings. Raises EnoughError when there are too many of them."""
        for finding in findings:
            if finding in self.findings:  # said of the same steps before, with another value in them
                continue
            self.findings.append(finding)
            if len(self.findings) >= MOST_FINDINGS:
                headline = f"the reading ended after {MOST_FINDINGS} findings; there may be more"
                self.findings.append(Finding("many-findings", headline, level=Level.NOTE))
                raise EnoughError

    def refused(self) -> Refused:
        """What to raise when something was found: the recipe's findings first, then those of the files it names."""
        order = {file: place for place, file in enumerate(self.lines)}
        return Refused(sorted(self.findings, key=lambda found: _file_order(found, order)), self.lines)

    def error(
        self, rule: str, headline: str, span: Span, label: str = "", *, others: Iterable[Mark] = (), help: str = ""
    ) -> None:
        """Keep an error."""
        self.keep([Finding(rule, headline, Mark(span, label), tuple(others), help)])

    def warn(self, rule: str, headline: str, span: Span, help: str = "") -> None:
        """Keep a warning."""
        self.keep([Finding(rule, headline, Mark(span), help=help, level=Level.WARNING)])

    def spend(self, weight: int, span: Span) -> None:
        """Account for parts of the tree that are written out with values in them. Raises EnoughError beyond bounds."""
        self._filled += weight
        if self._filled > MOST_FILLED:
            headline = "the values of `for_each` and `with`, written out, make too much of this recipe"
            self.error("too-many-steps", headline, span, help="Run it in parts.")
            raise EnoughError

    @contextmanager
    def putting_in(self, names: Iterable[Text], *, anew: bool = False) -> Iterator[None]:
        """As long as this lasts, `names` stand for values; with `anew` no others do."""
        before = self.standing
        self.standing = {**({} if anew else before), **{str(name): name for name in names}}
        try:
            yield
        finally:
            self.standing = before

    @property
    def sound(self) -> bool:
        """No error so far."""
        return all(finding.level is not Level.ERROR for finding in self.findings)

    def part(self, cls: type[P], tree: Tree, key: Text | None, *, inside: Tree | None = None) -> P | None:
        """
        `tree`, which `key` names, as a part of the language; None when it is none, with the findings kept. `inside` is
        the tree of the file where `tree` was rearranged.
        """
        try:
            made: P = cls.__pydantic_validator__.validate_python(tree, context=self.uses)
        except ValidationError as problem:
            self.keep(findings_of(problem, tree if inside is None else inside, key, cls))
            return None
        made.stand_at(tree if key is None else key)
        return made

    def mapping(self, tree: Branch, key: str) -> Branch:
        """The mapping under a key; empty when there is none, or something else, with the finding kept."""
        value = tree.get(Text(key))
        if isinstance(value, Branch):
            return value
        if value is not None:
            span = value.span if isinstance(value, Items) or not value.missing else _key(tree, key).span
            self.error("wrong-type", f"`{key}` must be a mapping of names, and {kind_of(value)} stands here", span)
        return Branch()

    def word(self, tree: Branch, key: str) -> Text | None:
        """The text under a key; None when there is none, or something else, with the finding kept."""
        value = tree.get(Text(key))
        if value is None:
            return None
        if not isinstance(value, Text):
            self.error("wrong-type", f"`{key}` must be a text, and {kind_of(value)} stands here", value.span)
            return None
        if not value.strip():
            self.error("missing-value", f"`{key}` has no value", _key(tree, key).span)
            return None
        return value


def _file_order(finding: Finding, order: dict[str, int]) -> int:
    return order.get(finding.primary.span.file, len(order)) if finding.primary else -1


def _key(tree: Branch, name: str) -> Text:
    key = tree.key(name)
    assert key is not None
    return key
