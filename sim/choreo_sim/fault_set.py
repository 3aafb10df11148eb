"""What the faults of one run have in common: those that wait for the host's link, and the form of their entries."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from choreo_sim.fault_entry import Entry

if TYPE_CHECKING:
    from choreo_sim.link import SimulatedLink


@dataclass(slots=True)
class FaultSet:
    """
    The faults of one machine. `entries` are those that were put into it, each as a line of YAML and the entry itself;
    `explicit` is a fault file that draws nothing and gives the same run.
    """

    waiting: "list[Callable[[SimulatedLink], None]]" = field(default_factory=list)
    entries: list[tuple[str, Entry]] = field(default_factory=list)
    drawn: tuple[str, ...] = ()
    explicit: str = ""

    def on_link(self, link: "SimulatedLink") -> None:
        """The host's link is there: put the adapter's faults into it."""
        for put in self.waiting:
            put(link)

    def idle(self) -> list[str]:
        """The entries that have not acted (yet)."""
        return [text for text, entry in self.entries if not entry.fired]


class Other(NamedTuple):
    """A fault that is no drive's: the keys of its entry, and what puts it where it belongs and says what it is."""

    keys: tuple[str, ...]
    put: Callable[[Entry, FaultSet], None]
