"""What every step of a recipe has, whatever its verb."""

from __future__ import annotations

from typing import ClassVar

from choreo.recipe.base import Part
from choreo.recipe.scalars import PositiveTime, Word


class Step(Part):
    """
    What every step has. `place` is the span of the verb's key; `serial` counts the steps of a recipe as they are read,
    and tells apart those that stand at one place (a `for_each` reads its steps once a value).
    """

    __slots__ = ("_serial",)

    verb: ClassVar[str]
    label: Word | None = None
    timeout: PositiveTime | None = None
    note: Word | None = None

    @property
    def serial(self) -> int:
        """From 1, in the order of reading."""
        found: int = object.__getattribute__(self, "_serial")
        return found

    def number(self, serial: int) -> None:
        """Say which it is; for the room's own use, while a recipe is read."""
        object.__setattr__(self, "_serial", serial)

    @property
    def inside(self) -> tuple[Step, ...]:
        """The steps that stand inside of it, each once; of a `for_each`, those of every value."""
        return ()
