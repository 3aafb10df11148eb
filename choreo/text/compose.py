"""
YAML text to a tree, over the events of the C parser.

What a recipe, a machine or a dialect does not need is refused with one finding at its place: anchors and aliases (an
alias bomb is short to write and large to walk), tags, directives, several documents, duplicate keys, keys that are no
scalars, nesting deeper than `MAX_DEPTH`. Scalars stay text: what a text means is the reader's to say, not a YAML
version's.
"""

from __future__ import annotations

from typing import Any, NoReturn

from ruamel.yaml.cyaml import CParser  # type: ignore[attr-defined]  # as ruamel.yaml itself finds it
from ruamel.yaml.error import YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from choreo.diagnostic.finding import Finding, Mark, Span
from choreo.diagnostic.refusal import Refused
from choreo.text.memory import collecting_later
from choreo.text.source import FORBIDDEN, Source, within
from choreo.text.syntax import unreadable
from choreo.text.tree import Branch, Items, Text, Tree

#: How deep mappings and sequences may nest. A repeat takes two levels.
MAX_DEPTH = 50


def compose(source: Source) -> Branch:
    """The tree of a text whose top is a mapping. Raises Refused with one finding."""
    try:
        with collecting_later():
            return _Composer(source).document()
    except YAMLError as problem:
        raise unreadable(problem, source) from None


class _Composer:
    """One walk over the events of one source."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.file = source.file
        self.count = len(source.lines)
        self.next = CParser(source.text).get_event

    def document(self) -> Branch:
        self.next()  # the start of the stream
        start = self.next()
        if not hasattr(start, "explicit"):
            self.refuse("empty-file", "the file is empty", Span(self.file, 1, 1), "A recipe begins with `choreo: 1`.")
        self.directives(start)
        first = self.next()
        tree = self.node(first, 0)
        if not isinstance(tree, Branch):
            found = "a list" if isinstance(tree, Items) else "nothing" if tree.missing else "a text"
            headline = f"the file must be a mapping (`key: value`), and {found} stands here"
            self.refuse("not-a-mapping", headline, tree.span, "")
        self.next()
        after = self.next()
        if hasattr(after, "explicit"):
            span = self.span(after.start_mark, after.end_mark)
            self.refuse("several-documents", "a second document begins here", span, "Write one document in one file.")
        return tree

    def directives(self, start: Any) -> None:
        if start.tags or start.version not in (None, (1, 2)):
            span = Span(self.file, 1, 1, max(1, len(self.source.lines[0])))
            self.refuse(
                "yaml-directive", "YAML directives are not used here (except `%YAML 1.2`)", span, "Delete the line."
            )

    def node(self, event: Any, depth: int) -> Tree:
        kind = type(event)
        if kind is ScalarEvent:
            if event.anchor is not None or event.tag is not None:
                self.marked(event)
            return self.text(event)
        if kind is AliasEvent or event.anchor is not None or event.tag is not None:
            self.marked(event)
        if depth >= MAX_DEPTH:
            headline = f"nested deeper than {MAX_DEPTH} levels"
            self.refuse("nested-too-deep", headline, self.span(event.start_mark, event.end_mark), "")
        if kind is MappingStartEvent:
            return self.mapping(event, depth + 1)
        assert kind is SequenceStartEvent
        return self.sequence(event, depth + 1)

    def mapping(self, start: Any, depth: int) -> Branch:
        made = Branch()
        node, text, following = self.node, self.text, self.next
        while True:
            event = following()
            kind = type(event)
            if kind is MappingEndEvent:
                self.place(made, start, event)
                return made
            if kind is not ScalarEvent or event.anchor is not None or event.tag is not None:
                self.odd_key(event)
            key = text(event)
            if key in made:
                self.twice(key, made)
            event = following()
            if type(event) is ScalarEvent and event.anchor is None and event.tag is None:
                made[key] = text(event)
            else:
                made[key] = node(event, depth)

    def sequence(self, start: Any, depth: int) -> Items:
        made = Items()
        node, following = self.node, self.next
        while True:
            event = following()
            if type(event) is SequenceEndEvent:
                self.place(made, start, event)
                return made
            made.append(node(event, depth))

    def text(self, event: Any) -> Text:
        """A scalar, with the length of what stands on its first line."""
        made = Text(event.value)
        start, end = event.start_mark, event.end_mark
        line, column = start.line, start.column
        made.file = self.file
        made.line = line + 1
        made.column = column + 1
        made.plain = not event.style
        if end.line == line:
            made.length = end.column - column or 1
        else:
            made.length = max(1, len(self.source.lines[line].rstrip()) - column)
        if line >= self.count:
            span = within(made.span, self.source.lines)
            made.line, made.column = span.line, span.column
        if event.style == '"' and FORBIDDEN.search(made):
            self.refuse(
                "forbidden-character", "an escape makes a character that cannot be seen", made.span, "Delete it."
            )
        return made

    def place(self, made: Branch | Items, start: Any, end: Any) -> None:
        begin = start.start_mark
        made.file = self.file
        made.line = begin.line + 1
        made.column = begin.column + 1
        if start.flow_style and end.end_mark.line == begin.line:
            made.length = end.end_mark.column - begin.column
        elif not start.flow_style and isinstance(made, Branch):
            made.length = next(iter(made)).length
        else:
            made.length = max(1, len(self.source.lines[begin.line].rstrip()) - begin.column)

    def span(self, start: Any, end: Any) -> Span:
        length = end.column - start.column if end.line == start.line else 1
        return Span(self.file, start.line + 1, start.column + 1, max(1, length))

    def marked(self, event: Any) -> NoReturn:
        """An alias, an anchor, a tag: refused where it begins."""
        span = self.span(event.start_mark, event.end_mark)
        if type(event) is AliasEvent:
            headline, rule = f"`*{event.anchor}` is an alias, and aliases are not used here", "yaml-alias"
        elif event.anchor is not None:
            headline, rule = f"`&{event.anchor}` is an anchor, and anchors are not used here", "yaml-anchor"
        else:
            headline, rule = f"`{event.tag}` is a tag, and tags are not used here", "yaml-tag"
        help = (
            "Write the value out; an axis can be taken over with `like:`." if rule != "yaml-tag" else "Delete the tag."
        )
        self.refuse(rule, headline, span, help)

    def odd_key(self, event: Any) -> NoReturn:
        if type(event) is AliasEvent or event.anchor is not None or event.tag is not None:
            self.marked(event)
        headline = "a mapping or a list stands where a key is wanted"
        span = self.span(event.start_mark, event.end_mark)
        self.refuse("key-not-a-name", headline, span, "A key is one word; put `{` or `[` after the colon.")

    def twice(self, key: Text, made: Branch) -> NoReturn:
        first = made.key(key)
        assert first is not None
        finding = Finding(
            "duplicate-key",
            f"`{key}` stands twice in one mapping",
            Mark(key.span, "again"),
            (Mark(first.span, "first"),),
            help="Keep one of them.",
        )
        raise Refused([finding], {self.file: self.source.lines})

    def refuse(self, rule: str, headline: str, span: Span, help: str) -> NoReturn:
        finding = Finding(rule, headline, Mark(within(span, self.source.lines)), help=help)
        raise Refused([finding], {self.file: self.source.lines})
