"""A list that says so when something is added to it."""

from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


class Told(list[T]):
    """What is appended is handed to `tell`, which can be set at any time; what was there before is not."""

    def __init__(self) -> None:
        super().__init__()
        self.tell: Callable[[T], object] | None = None

    def append(self, item: T) -> None:
        """As with any list."""
        super().append(item)
        if self.tell is not None:
            self.tell(item)
