"""
Fault files: what shall go wrong on a simulated machine, and when.

    faults:
      - {kind: lost_reply, node: carriage, message: preload, nth: 2}
      - {kind: silent_node, node: 12, at: 12.5 s}
      - {kind: stalled_axis, node: beam_right, at_speed: 240 mm/s}

`fault_kinds.py` has the faults of drives; here are those of the bus and of the adapter. Nothing is drawn: a fault
counts or waits for its time, so the same file gives the same run.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from choreo.frame import Frame
from choreo_sim.bus import Bus
from choreo_sim.bus_faults import Match
from choreo_sim.fault_base import TURN
from choreo_sim.fault_entry import Entry, Fired, Workshop
from choreo_sim.fault_kinds import KINDS
from choreo_sim.kernel import Kernel
from choreo_sim.short_frame_drive import ShortFrameDrive
from choreo_sim.yaml_tree import Node, read_tree

if TYPE_CHECKING:
    from collections.abc import Mapping

    from choreo_sim.link import SimulatedLink

__all__ = ["OTHERS", "FaultSet", "Fired", "read_faults"]


@dataclass(slots=True)
class FaultSet:
    """The faults of one machine that wait for the host's link."""

    waiting: "list[Callable[[SimulatedLink], None]]" = field(default_factory=list)

    def on_link(self, link: "SimulatedLink") -> None:
        """Put the adapter's faults into the link."""
        for put in self.waiting:
            put(link)


def read_faults(
    path: Path, kernel: Kernel, bus: Bus, drives: "Mapping[str, ShortFrameDrive]", fired: list[Fired]
) -> FaultSet:
    """Put every fault of a file where it belongs; RecipeError, with the place, for what cannot be."""
    root = read_tree(path)
    root.only(("faults", "title"))
    shop = Workshop(kernel, bus, drives, fired)
    faults = FaultSet()
    for node in root.need("faults").items():
        _put(node, shop, faults)
    return faults


def _put(node: Node, shop: Workshop, faults: FaultSet) -> None:
    entry = Entry(node, shop)
    kind = node.need("kind").one_of((*KINDS, *OTHERS))
    if kind in KINDS:
        KINDS[kind](entry)
    else:
        entry.check(OTHERS[kind].keys)
        OTHERS[kind].put(entry, faults)


def _duplicate_frame(entry: Entry, _: FaultSet) -> None:
    """A request that its receivers get twice, because its last bit is wrong (practice.md P6)."""
    _frame_fault(entry, entry.shop.bus.faults.duplicate)


def _corrupt_frame(entry: Entry, _: FaultSet) -> None:
    """A request that an error frame destroys, and that its sender repeats."""
    _frame_fault(entry, entry.shop.bus.faults.corrupt)


def _frame_fault(entry: Entry, put: Callable[[Match], None]) -> None:
    drive = entry.drive()
    message = drive.dialect.messages[entry.node.need("message").one_of(drive.dialect.messages)]
    address = drive.dialect.broadcast if message.broadcast == "only" else drive.node
    identifier, turn = message.request_base + address, entry.turn()
    match = Match(
        identifier=identifier,
        extended=drive.dialect.extended,
        data=lambda data: message.request.unpack(data) is not None,
        from_ns=turn.at_ns,
        nth=turn.nth,
        times=turn.times,
    )
    put(match)
    begins = Frame(identifier, message.request.prefix, drive.dialect.extended).text()

    def record(what: str, t_ns: int, sender: str) -> None:
        if begins in what:
            entry.fire(drive.name, f"{message.name}: {what}")

    entry.shop.bus.error_taps.append(record)


def _adapter_lost(entry: Entry, faults: FaultSet) -> None:
    """
    The host's adapter is gone at a time; with `its_frames_leave: true` it keeps its power, and what it holds leaves all
    the same.
    """
    at_ns = entry.time("at")
    leave = entry.flag("its_frames_leave")

    def put(link: "SimulatedLink") -> None:
        def lose(_: object) -> None:
            link.lose_adapter("the adapter is gone", its_frames_leave=leave)
            entry.fire(None, "the adapter is gone")

        link.kernel.at(at_ns, lose)

    faults.waiting.append(put)


class Other(NamedTuple):
    """A fault that is no drive's: the keys of its entry, and what puts it where it belongs and says what it is."""

    keys: tuple[str, ...]
    put: Callable[[Entry, FaultSet], None]


#: What `kind:` may say of the bus and of the adapter.
OTHERS: dict[str, Other] = {
    "duplicate_frame": Other(("node", "message", *TURN), _duplicate_frame),
    "corrupt_frame": Other(("node", "message", *TURN), _corrupt_frame),
    "adapter_lost": Other(("at", "its_frames_leave"), _adapter_lost),
}
