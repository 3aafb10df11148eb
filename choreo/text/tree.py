"""The parts of a tree: text, mapping, sequence. Each is what Python has for it, and knows its place."""

from __future__ import annotations

from typing import Any

from choreo.diagnostic.finding import Span


class Text(str):
    """
    A scalar as it was written (quotes resolved), with its place: `line` and `column` from 1, `length` of the text in
    the file, quotes included, on its first line. `plain` is false for a quoted or block scalar. Equal to the same
    `str`, hashed alike. A `Text` made by hand stands nowhere and has no span.
    """

    __slots__ = ("column", "file", "length", "line", "plain")

    file: str
    line: int
    column: int
    length: int
    plain: bool

    @property
    def span(self) -> Span:
        """Where it stands."""
        return Span(self.file, self.line, self.column, self.length)

    @property
    def missing(self) -> bool:
        """Nothing was written: `speed:` and no more."""
        return self.plain and not self


class Branch(dict[Text, Any]):
    """A mapping in the order of the file. Its span is its first key, or the braces as far as the line goes."""

    __slots__ = ("column", "file", "length", "line")

    file: str
    line: int
    column: int
    length: int

    @property
    def span(self) -> Span:
        """Where it begins."""
        return Span(self.file, self.line, self.column, self.length)

    def key(self, name: str) -> Text | None:
        """The key as it stands in the file, with its place."""
        return next((key for key in self if key == name), None)

    def like(self, items: dict[Text, Any]) -> Branch:
        """Other contents at the same place."""
        made = Branch(items)
        made.file, made.line, made.column, made.length = self.file, self.line, self.column, self.length
        return made


class Items(list[Any]):
    """A sequence. Its span is its first line: from the opening bracket, or from the first dash."""

    __slots__ = ("column", "file", "length", "line")

    file: str
    line: int
    column: int
    length: int

    @property
    def span(self) -> Span:
        """Where it begins."""
        return Span(self.file, self.line, self.column, self.length)


Tree = Text | Branch | Items
