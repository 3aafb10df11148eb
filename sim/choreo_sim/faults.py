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
from typing import TYPE_CHECKING

from choreo.frame import Frame
from choreo_sim.bus import Bus
from choreo_sim.bus_faults import Match
from choreo_sim.fault_entry import Entry, Fired, Workshop
from choreo_sim.fault_kinds import KINDS
from choreo_sim.kernel import Kernel
from choreo_sim.short_frame_drive import ShortFrameDrive
from choreo_sim.yaml_tree import Node, read_tree

if TYPE_CHECKING:
    from collections.abc import Mapping

    from choreo_sim.link import SimulatedLink

__all__ = ["FaultSet", "Fired", "read_faults"]


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
    kind = node.need("kind").one_of((*KINDS, "duplicate_frame", "corrupt_frame", "adapter_lost"))
    if kind == "adapter_lost":
        _adapter_lost(entry, faults)
    elif kind in KINDS:
        KINDS[kind](entry)
    else:
        _frame_fault(entry)


def _frame_fault(entry: Entry) -> None:
    """
    `duplicate_frame`: a request that its receivers get twice, for its last bit is wrong (practice.md P6);
    `corrupt_frame`: a request that an error frame destroys, and that its sender repeats.
    """
    entry.check(("node", "message", "nth", "at", "times"))
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
    rules = entry.shop.bus.faults
    (rules.duplicate if entry.kind == "duplicate_frame" else rules.corrupt)(match)
    begins = Frame(identifier, message.request.prefix, drive.dialect.extended).text()

    def record(what: str, t_ns: int, sender: str) -> None:
        if begins in what:
            entry.fire(drive.name, f"{message.name}: {what}")

    entry.shop.bus.error_taps.append(record)


def _adapter_lost(entry: Entry, faults: FaultSet) -> None:
    """`adapter_lost`: the host's adapter is gone at a time; with `its_frames_leave` what it holds goes out even so."""
    entry.check(("at", "its_frames_leave"))
    at_ns = entry.time("at")
    leave = entry.flag("its_frames_leave")

    def put(link: "SimulatedLink") -> None:
        def lose(_: object) -> None:
            link.lose_adapter("the adapter is gone", its_frames_leave=leave)
            entry.fire(None, "the adapter is gone")

        link.kernel.at(at_ns, lose)

    faults.waiting.append(put)
