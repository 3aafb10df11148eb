"""The base of all models of the language."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, ModelWrapValidatorHandler, model_validator

from choreo.diagnostic.finding import Span
from choreo.text.tree import Branch, Items, Text


class Part(BaseModel):
    """A mapping of the recipe: unknown keys are refused, nothing can be changed, `place` says where it stands."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True, populate_by_name=False)
    __slots__ = ("_place",)

    @model_validator(mode="wrap")
    @classmethod
    def _keep_place(cls, value: Any, handler: ModelWrapValidatorHandler[Any]) -> Any:
        made = handler(cls.arranged(value))
        if isinstance(value, Branch):
            object.__setattr__(made, "_place", value)
        return made

    @classmethod
    def arranged(cls, value: Any) -> Any:
        """The input as the fields want it; for parts whose keys in a recipe are not their fields."""
        return value

    def stand_at(self, where: Text | Branch | Items) -> None:
        """Say where this stands; for the room's own use, while a recipe is read."""
        object.__setattr__(self, "_place", where)

    @property
    def place(self) -> Span:
        """Where it stands: the key that names it, or its first line."""
        where: Text | Branch | Items = object.__getattribute__(self, "_place")
        return where.span
