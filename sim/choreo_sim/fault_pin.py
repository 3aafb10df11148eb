"""
From when on a fault may act: a time of the run, or the moment at which a step begins.

The simulator knows nothing of recipes. It is told of each step that begins by path, label and verb; a fault that is
pinned to a step waits for the first one that fits.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

from choreo_sim.kernel import Kernel

Begun = Callable[[], None]


class Pin:
    """One fault's beginning: `since_ns` is when, None while it is not known yet."""

    __slots__ = ("_kernel", "_waiting", "since_ns")

    def __init__(self, kernel: Kernel, since_ns: int | None) -> None:
        self._kernel = kernel
        self._waiting: list[Begun] = []
        self.since_ns = since_ns

    def reached(self, now_ns: int) -> bool:
        """Whether the fault may act."""
        return self.since_ns is not None and now_ns >= self.since_ns

    def then(self, act: Begun) -> None:
        """Call `act` when it begins."""
        if self.since_ns is None:
            self._waiting.append(act)
        else:
            self._kernel.at(max(self.since_ns, self._kernel.now_ns), lambda _: act())

    def set(self, since_ns: int) -> None:
        """The step has begun that this fault waited for. What begins now begins at once, before anything is sent."""
        self.since_ns = since_ns
        waiting, self._waiting = self._waiting, []
        for act in waiting:
            if since_ns <= self._kernel.now_ns:
                act()
            else:
                self.then(act)


@dataclass(slots=True)
class Steps:
    """Hears of every step, and sets the pins that wait for it."""

    kernel: Kernel
    waiting: list[tuple[str, int, Pin]] = field(default_factory=list)  # which step, how long after it, the pin

    def pin(self, step: str, after_ns: int) -> Pin:
        """A pin that is set when the first step begins that `step` names."""
        pin = Pin(self.kernel, None)
        self.waiting.append((step, after_ns, pin))
        return pin

    def begins(self, path: str, label: str, verb: str) -> None:
        """A step begins now."""
        fitting = [entry for entry in self.waiting if names(entry[0], path, label, verb)]
        self.waiting = [entry for entry in self.waiting if entry not in fitting]
        for _, after_ns, pin in fitting:
            pin.set(self.kernel.now_ns + after_ns)


def names(step: str, path: str, label: str, verb: str) -> bool:
    """
    Whether `step` names this step: by its path (`9.3 (2 of 5)`), by the beginning of one (`9.3`, `9`), by its label, by
    its verb.
    """
    return step in (path, verb) or path.startswith((f"{step} ", f"{step}.")) or step.casefold() == label.casefold()
