"""Reading a tree of text with every mistake collected: nothing here stops at the first."""

import re
from collections.abc import Collection, Iterable, Mapping
from fractions import Fraction
from typing import NamedTuple

from choreo.diagnostic import Finding, Mark, Span, near_miss
from choreo.text.tree import Branch, Items, Text, Tree
from choreo.units import UnitError, parse_quantity

_INTEGER = re.compile(r"[+-]?(0x[0-9A-Fa-f]{1,16}|0b[01]{1,64}|[0-9]{1,20})")
_RATIO = re.compile(r"[0-9]{1,20}(?:\.[0-9]{1,20}|/[0-9]{1,20})?")
_NAME = re.compile(r"[a-z][a-z0-9_]{0,39}")
#: The largest code or raw value that a dialect file can name.
LARGEST = (1 << 64) - 1


class Entry(NamedTuple):
    """One key of a mapping: where the key stands, and what stands behind it."""

    key: Text
    value: Tree


class PlacedText(NamedTuple):
    """What a code means, and where the code stands."""

    text: str
    span: Span


class Reader:
    """
    Turns parts of a tree into values. What cannot be read becomes a finding and None; the caller goes on with the rest.

    `what` is always how the part is called in a message: "the base of identifier range reply".
    """

    def __init__(self) -> None:
        self.findings: list[Finding] = []

    def error(self, rule: str, headline: str, span: Span, help: str, *others: Mark) -> None:
        """Note a mistake at `span`, and what to do about it."""
        self.findings.append(Finding(f"dialect-{rule}", headline, Mark(span), others, help))

    def mapping(
        self,
        tree: Tree | None,
        what: str,
        needs: Collection[str] = (),
        may: Collection[str] = (),
        missing: tuple[str, str] = ("missing-key", "it has no default."),
    ) -> dict[str, Entry] | None:
        """
        A mapping with all keys of `needs` and perhaps some of `may`, no others. `missing` is the rule that a missing
        key breaks, and why it is asked for.
        """
        entries = self.open_mapping(tree, what)
        if entries is None or tree is None:
            return None
        meant = self.unknown_keys(entries, what, [*needs, *may])
        rule, why = missing
        for name in needs:
            if name not in entries and name not in meant:
                self.error(rule, f"{what} has no `{name}`", tree.span, f"Add `{name}`: {why}")
        return {name: entry for name, entry in entries.items() if name in needs or name in may}

    def unknown_keys(self, entries: Mapping[str, Entry], what: str, known: Collection[str]) -> list[str]:
        """Note each key that is not in `known`. What they probably stand for is returned: it is not missing as well."""
        meant: list[str] = []
        for name, entry in entries.items():
            if name not in known:
                free = [key for key in known if key not in entries]
                close = near_miss(name, free)
                meant += [close] if close else []
                headline = f"{what} has a key {quoted(name)} that is not known here"
                self.error("unknown-key", headline, entry.key.span, near(name, free or known))
        return meant

    def open_mapping(self, tree: Tree | None, what: str) -> dict[str, Entry] | None:
        """A mapping with keys of the writer's choice. None for a part that is missing (which is noted elsewhere)."""
        if tree is None:
            return None
        if not isinstance(tree, Branch):
            self.error("kind", f"{what} must be a mapping; it is {_kind(tree)}", tree.span, "Write it as `key: value`.")
            return None
        return {str(key): Entry(key, value) for key, value in tree.items()}

    def keys(self, tree: Tree | None) -> dict[str, Entry] | None:
        """The keys of a mapping; None, without a word, for anything else."""
        return {str(key): Entry(key, value) for key, value in tree.items()} if isinstance(tree, Branch) else None

    def items(self, tree: Tree | None, what: str) -> list[Tree] | None:
        """A sequence."""
        if tree is None:
            return None
        if not isinstance(tree, Items):
            self.error("kind", f"{what} must be a list; it is {_kind(tree)}", tree.span, "Write it as `[a, b]`.")
            return None
        return list(tree)

    def text(self, tree: Tree | None, what: str) -> str | None:
        """Text that is not empty."""
        if tree is None:
            return None
        if not isinstance(tree, Text) or not tree.strip():
            self.error("kind", f"{what} must be text; it is {_kind(tree)}", tree.span, "Write one value on the line.")
            return None
        return str(tree)

    def name(self, tree: Tree | None, what: str) -> str | None:
        """A name: small letters, digits and _, beginning with a letter."""
        text = self.text(tree, what)
        if text is None or tree is None:
            return None
        if not _NAME.fullmatch(text):
            allowed = "Names are of small letters, digits and _, begin with a letter, and are at most 40 long."
            self.error("name", f"{what} {quoted(text)} is not a name", tree.span, allowed)
            return None
        return text

    def choice(self, tree: Tree | None, what: str, allowed: Collection[str]) -> str | None:
        """One of `allowed`."""
        text = self.text(tree, what)
        if text is None or tree is None or text in allowed:
            return text
        self.error("value", f"{what} cannot be {quoted(text)}", tree.span, near(text, allowed))
        return None

    def choices(self, tree: Tree | None, what: str, allowed: Collection[str]) -> list[str] | None:
        """A list of some of `allowed`, each once."""
        found = self.items(tree, what)
        if found is None:
            return None
        chosen: list[str] = []
        for item in found:
            word = self.choice(item, f"an entry of {what}", allowed)
            if word in chosen:
                self.error("duplicate", f"{what} names `{word}` twice", item.span, "Name it once.")
            elif word is not None:
                chosen.append(word)
        return chosen

    def integer(self, tree: Tree | None, what: str, low: int, high: int) -> int | None:
        """A whole number from `low` to `high`, decimal or as 0x1F or 0b101."""
        text = self.text(tree, what)
        if text is None or tree is None:
            return None
        if not _INTEGER.fullmatch(text):
            self.error("value", f"{what} must be a whole number, not {quoted(text)}", tree.span, _WHOLE)
            return None
        value = int(text, 16 if "x" in text else 2 if "b" in text else 10)
        if not low <= value <= high:
            self.error("value", f"{what} is {text}, outside {low} to {high}", tree.span, f"Write {low} to {high}.")
            return None
        return value

    def ratio(self, tree: Tree | None, what: str) -> Fraction | None:
        """A number above zero: whole, decimal or a fraction."""
        text = self.text(tree, what)
        if text is None or tree is None:
            return None
        value = Fraction(0)
        if _RATIO.fullmatch(text) and not re.fullmatch(r".*/0+", text):
            value = Fraction(text)
        if not value:
            help = "Write a number above zero without a unit, as 2, 0.25 or 1/1024."
            self.error("value", f"{what} cannot be {quoted(text)}", tree.span, help)
        return value or None

    def quantity(self, tree: Tree | None, what: str, unit: str) -> Fraction | None:
        """A quantity, in `unit`."""
        text = self.text(tree, what)
        if text is None or tree is None:
            return None
        try:
            return parse_quantity(text).to(unit)
        except UnitError as wrong:
            self.error("value", f"{what}: {wrong}", tree.span, f"Write a number and a unit that {unit} can be made of.")
            return None

    def time(self, tree: Tree | None, what: str, above_zero: bool) -> int | None:
        """A time in nanoseconds: zero or more, or above zero."""
        exact = self.quantity(tree, what, "ns")
        if exact is None or tree is None:
            return None
        if exact < 0 or (exact == 0 and above_zero):
            least = "above zero" if above_zero else "zero or more"
            self.error("value", f"{what} is {tree}", tree.span, f"It must be {least}.")
            return None
        return round(exact)

    def codes(self, tree: Tree | None, what: str, lowest: int, highest: int = LARGEST) -> dict[int, PlacedText]:
        """A table of codes and meanings. One code may be written in two ways, so duplicates are looked for by value."""
        found: dict[int, PlacedText] = {}
        for entry in (self.open_mapping(tree, what) or {}).values():
            code = self.integer(entry.key, f"a code of {what}", lowest, highest)
            text = self.text(entry.value, f"the meaning of {entry.key} in {what}")
            if code is None or text is None:
                continue
            if code in found:
                first = Mark(found[code].span, "the first one")
                self.error("duplicate", f"{what} have code {code} twice", entry.key.span, "Keep one.", first)
                continue
            found[code] = PlacedText(" ".join(text.split()), entry.key.span)
        return found


_WHOLE = "Write it in decimal figures, in hexadecimal ones after 0x, or in binary ones after 0b, without a unit."


def near(word: str, allowed: Iterable[str]) -> str:
    """What to do about a word that is none of `allowed`: the near miss first, where there is one."""
    known = list(allowed)
    close = near_miss(word, known)
    if close is not None:
        return f"Did you mean `{close}`?"
    return f"Allowed here: {', '.join(known)}." if known else "Nothing is allowed here; delete it."


def value_of(entries: Mapping[str, Entry] | None, key: str) -> Tree | None:
    """What stands behind a key; None where the key, or the whole mapping, is missing."""
    entry = None if entries is None else entries.get(key)
    return None if entry is None else entry.value


def _kind(tree: Tree) -> str:
    if isinstance(tree, Branch):
        return "a mapping"
    if isinstance(tree, Items):
        return "a list"
    return f"the text {quoted(tree)}" if tree.strip() else "empty"


def quoted(text: str) -> str:
    """A text of the file, fit to be shown in a message."""
    cut = text if len(text) <= 40 else text[:36] + "..."
    return "`" + "".join(c if c.isprintable() else " " for c in cut) + "`"
