"""
What a sequence takes, and what a `for_each` goes through, put into its steps: `$place` and `-$place` become the value.

It is done in the tree, before anything is read: so a value may stand wherever a text may, as a quantity, as the name of
an axis, as a key. The value brings its own place along: a finding about it points at where it was given.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from choreo.text.tree import Branch, Items, Text


class TwiceError(Exception):
    """A value makes two keys of one mapping alike. `key` is the value, with its place."""

    def __init__(self, key: Text) -> None:
        super().__init__(key)
        self.key = key


def weight(tree: Any) -> int:
    """How many texts, mappings and lists a tree has: what it costs to fill it."""
    if isinstance(tree, Branch):
        return 1 + sum(1 + weight(value) for value in tree.values())
    if isinstance(tree, Items):
        return 1 + sum(map(weight, tree))
    return 1


def filled(tree: Any, values: Mapping[str, Text]) -> Any:
    """
    The tree with every `$name` of `values` replaced; the parts that name none are the same objects as before.

    Raises TwiceError.
    """
    if isinstance(tree, Text):
        return _filled_text(tree, values) if "$" in tree else tree
    if isinstance(tree, Branch):
        return _filled_branch(tree, values)
    if isinstance(tree, Items):
        made = [filled(item, values) for item in tree]
        if all(new is old for new, old in zip(made, tree, strict=True)):
            return tree
        items = Items(made)
        items.file, items.line, items.column, items.length = tree.file, tree.line, tree.column, tree.length
        return items
    return tree


def _filled_branch(tree: Branch, values: Mapping[str, Text]) -> Branch:
    made = [(filled(key, values), filled(value, values)) for key, value in tree.items()]
    if all(new[0] is old[0] and new[1] is old[1] for new, old in zip(made, tree.items(), strict=True)):
        return tree
    whole = dict(made)
    if len(whole) < len(made):
        keys = [key for key, _ in made]
        raise TwiceError(next(key for place, key in enumerate(keys) if key in keys[:place] or key in keys[place + 1 :]))
    return tree.like(whole)


def _filled_text(text: Text, values: Mapping[str, Text]) -> Text:
    name = text.lstrip("-")
    value = values.get(name[1:]) if name.startswith("$") and len(text) - len(name) <= 1 else None
    if value is None:
        return text
    return value if name == text else _opposite(value)


def _opposite(value: Text) -> Text:
    """`-5 mm` of `5 mm` and `+5 mm`, `5 mm` of `-5 mm`."""
    turned = value[1:].lstrip() if value.startswith("-") else "-" + value.removeprefix("+")
    made = Text(turned)
    made.file, made.line, made.column, made.length, made.plain = (
        value.file,
        value.line,
        value.column,
        value.length,
        value.plain,
    )
    return made
