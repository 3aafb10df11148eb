"""
The simulator's own reading of YAML: a tree in which every value knows where it stands.

Dialects, machine truths and fault files are read through this and nothing else, so a misreading of choreo's cannot
hide here. Anchors, tags, duplicate keys, depth and size are refused. Every complaint is one `RecipeError` that begins
with `file:line:column`.
"""

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from choreo.errors import RecipeError

LONGEST_FILE = 256_000  # bytes
DEEPEST = 20
_TIMES = {"ns": Fraction(1), "us": Fraction(1000), "ms": Fraction(1_000_000), "s": Fraction(1_000_000_000)}
_NUMBER = re.compile(r"[+-]?\d{1,15}(\.\d{1,15})?(/\d{1,15})?")


@dataclass(frozen=True, slots=True)
class Node:
    """A value: a scalar's text, a list, or a mapping in the order of the file. `place` is `file:line:column`."""

    place: str
    value: "str | list[Node] | dict[str, Node]"

    def error(self, message: str) -> RecipeError:
        """The complaint about this value, to be raised by the caller."""
        return RecipeError(f"{self.place}  {message}", rule="simulation-file")

    def text(self) -> str:
        """The scalar's text."""
        if not isinstance(self.value, str):
            raise self.error("a single value is expected here")
        return self.value

    def items(self) -> "list[Node]":
        """The entries of a list."""
        if not isinstance(self.value, list):
            raise self.error("a list is expected here: [a, b]")
        return self.value

    def mapping(self) -> "dict[str, Node]":
        """The entries of a mapping."""
        if not isinstance(self.value, dict):
            raise self.error("a mapping is expected here: {key: value}")
        return self.value

    def only(self, allowed: Iterable[str]) -> "dict[str, Node]":
        """The mapping, after every key was found among `allowed`."""
        names = list(allowed)
        for key, node in self.mapping().items():
            if key not in names:
                near = difflib.get_close_matches(key, names, 1)
                raise node.error(
                    f"{key!r} means nothing here; " + (f"did you mean {near[0]!r}?" if near else one_of(names))
                )
        return self.mapping()

    def need(self, key: str) -> "Node":
        """The entry `key`, which must be there."""
        found = self.mapping().get(key)
        if found is None:
            raise self.error(f"{key!r} is missing here")
        return found

    def one_of(self, names: Iterable[str]) -> str:
        """The text, which must be one of `names`."""
        allowed = list(names)
        if self.text() not in allowed:
            near = difflib.get_close_matches(self.text(), allowed, 1)
            hint = f"did you mean {near[0]!r}?" if near else one_of(allowed)
            raise self.error(f"{self.text()!r} is not known here; {hint}")
        return self.text()

    def integer(self, low: int, high: int) -> int:
        """A whole number, decimal, hexadecimal or binary, from `low` to `high`."""
        text = self.text()
        if not re.fullmatch(r"[+-]?\d{1,20}|0x[0-9A-Fa-f]{1,16}|0b[01]{1,64}", text):
            raise self.error(f"{text!r} is not a whole number")
        number = int(text, 0 if text[:2] in ("0x", "0b") else 10)
        if not low <= number <= high:
            raise self.error(f"{number} is outside {low} to {high}")
        return number

    def flag(self) -> bool:
        """`true` or `false`."""
        return self.one_of(("true", "false")) == "true"

    def fraction(self) -> Fraction:
        """An exact number without a unit: `12`, `0.4`, `24576/5`."""
        return self._number(self.text())

    def amount(self, units: dict[str, Fraction]) -> Fraction:
        """A number with one of `units`, as a multiple of the unit whose factor is 1."""
        number, _, unit = self.text().strip().partition(" ")
        if unit.strip() not in units:
            raise self.error(f"{self.text()!r} needs a number and a unit: {one_of(units)}")
        return self._number(number) * units[unit.strip()]

    def time_ns(self) -> int:
        """A time, in whole nanoseconds."""
        return round(self.amount(_TIMES))

    def _number(self, text: str) -> Fraction:
        if not _NUMBER.fullmatch(text):
            raise self.error(f"{text!r} is not a number")
        whole, _, below = text.partition("/")
        if below and int(below) == 0:
            raise self.error(f"{text!r} divides by zero")
        return Fraction(whole) / int(below or 1)


def one_of(names: Iterable[str]) -> str:
    """`one of a, b, c`, in the order given."""
    return "one of " + ", ".join(names)


def read_tree(path: Path) -> Node:
    """The tree of a file; `RecipeError` for everything that is not a plain YAML mapping."""
    return tree_of(read_text(path), path.name)


def read_text(path: Path) -> str:
    """The text of a small UTF-8 file; `RecipeError` if it cannot be had."""
    try:
        raw = path.read_bytes()
    except OSError as failure:
        raise RecipeError(f"{path}  cannot be read: {failure.strerror}", rule="simulation-file") from None
    if len(raw) > LONGEST_FILE:
        raise RecipeError(f"{path}  holds {len(raw)} bytes; at most {LONGEST_FILE} are read", rule="simulation-file")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as failure:
        raise RecipeError(f"{path}  is not UTF-8 text (byte {failure.start})", rule="simulation-file") from None


def tree_of(text: str, name: str) -> Node:
    """The tree of a text that came from the file `name`."""
    try:
        root = _Builder(name).build(YAML(typ="safe").parse(text))
    except MarkedYAMLError as failure:
        mark = failure.problem_mark
        place = f"{name}:{mark.line + 1}:{mark.column + 1}" if mark else name
        raise RecipeError(f"{place}  is not YAML: {failure.problem}", rule="simulation-file") from None
    except (YAMLError, ValueError) as failure:
        words = str(failure).splitlines()[0]
        raise RecipeError(f"{name}  is not YAML: {words}", rule="simulation-file") from None
    if root is None or not isinstance(root.value, dict):
        raise RecipeError(f"{name}:1:1  the file must be a mapping", rule="simulation-file")
    return root


class _Builder:
    """Builds the tree from the parser's events, without recursion."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.open: list[Node] = []
        self.keys: list[str | None] = []  # the key that waits for its value, for every open mapping
        self.root: Node | None = None

    def build(self, events: Iterable[Event]) -> Node | None:
        for event in events:
            if isinstance(event, (SequenceEndEvent, MappingEndEvent)):
                self.open.pop()
                self.keys.pop()
            elif isinstance(event, (AliasEvent, ScalarEvent, SequenceStartEvent, MappingStartEvent)):
                self._enter(event)
        return self.root

    def _enter(self, event: Event) -> None:
        mark = event.start_mark
        place = f"{self.name}:{mark.line + 1}:{mark.column + 1}"
        if getattr(event, "anchor", None) is not None:
            raise Node(place, "").error("anchors and aliases are not read here")
        if getattr(event, "tag", None) is not None:
            raise Node(place, "").error("tags are not read here")
        if isinstance(event, ScalarEvent):
            self._add(Node(place, str(event.value)))
            return
        node = Node(place, [] if isinstance(event, SequenceStartEvent) else {})
        self._add(node)
        self.open.append(node)
        self.keys.append(None)
        if len(self.open) > DEEPEST:
            raise node.error(f"more than {DEEPEST} levels are not read")

    def _add(self, node: Node) -> None:
        if not self.open:
            if self.root is not None:
                raise node.error("one document a file is read")
            self.root = node
            return
        holder = self.open[-1].value
        if isinstance(holder, list):
            holder.append(node)
        elif isinstance(holder, dict):
            key = self.keys[-1]
            if key is None:
                if node.text() in holder:
                    raise node.error(f"{node.text()!r} stands here twice")
                self.keys[-1] = node.text()
            else:
                holder[key] = node
                self.keys[-1] = None
