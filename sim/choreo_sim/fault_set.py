"""What the faults of one run have in common: those that wait for the host's link, and the form of their entries."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from choreo_sim.controller import Controller
from choreo_sim.fault_entry import Entry


class HostAdapter(Protocol):
    """What faults know of the host's adapter: its controller, and that it can be lost."""

    host: Controller

    def lose_adapter(self, reason: str, *, its_frames_leave: bool = False) -> None:
        """It is gone from this moment on; see `SimulatedLink`."""


@dataclass(slots=True)
class FaultSet:
    """
    The faults of one machine. `entries` are those that were put into it, each as a line of YAML and the entry itself;
    `explicit` is a fault file that draws nothing and gives the same run.
    """

    waiting: list[Callable[[HostAdapter], None]] = field(default_factory=list)
    entries: list[tuple[str, Entry]] = field(default_factory=list)
    drawn: tuple[str, ...] = ()
    explicit: str = ""

    def on_link(self, link: HostAdapter) -> None:
        """The host's adapter is there: put its faults into it."""
        for put in self.waiting:
            put(link)

    def by_step(self) -> list[str]:
        """The entries that wait for a step of a recipe."""
        return [text for text, entry in self.entries if entry.get("step") is not None]

    def idle(self) -> list[str]:
        """The entries that have not acted (yet)."""
        return [text for text, entry in self.entries if not entry.fired]


class Other(NamedTuple):
    """A fault that is no drive's: the keys of its entry, and what puts it where it belongs and says what it is."""

    keys: tuple[str, ...]
    put: Callable[[Entry, FaultSet], None]
