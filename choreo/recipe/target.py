"""Where one group goes: of a move, and at the most of a move that an input ends."""

from __future__ import annotations

from typing import Any

from choreo.diagnostic import Mark
from choreo.recipe.base import Part
from choreo.recipe.reading import Reading
from choreo.recipe.scalars import Position, Speed, kind_of, wrong
from choreo.text.tree import Items, Text


class Target(Part):
    """Where one group goes: exactly one of `to` (absolute) and `by` (relative to its last target)."""

    to: Position | None = None
    by: Position | None = None
    speed: Speed | None = None

    @classmethod
    def arranged(cls, value: Any) -> Any:
        """Not a bare quantity: `lift: 5 mm` does not say whether it is a position or a distance."""
        if isinstance(value, (Text, Items)):
            help = "Write `{to: 100 mm}` for a position, `{by: 100 mm}` for a distance."
            raise wrong("wrong-type", f"must say `to` or `by`, and {kind_of(value)} stands here", help)
        return value


def check_one_way(name: Text, target: Target, reading: Reading) -> None:
    """Keep a finding when a target says both where and how far, or neither."""
    if target.to is not None and target.by is not None:
        headline = f"`{name}` moves `to` a position and `by` a distance"
        others = [Mark(target.to.span, "to")]
        reading.error("to-and-by", headline, target.by.span, others=others, help="Keep one of them.")
    elif target.to is None and target.by is None:
        headline = f"nothing says where `{name}` moves"
        reading.error("missing-key", headline, name.span, help="Write `to:` a position or `by:` a distance.")
