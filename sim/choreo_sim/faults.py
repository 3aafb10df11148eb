"""
Fault files: what shall go wrong on a simulated machine, and when.

    faults:
      - {kind: lost_reply, node: carriage, message: preload, nth: 2}
      - {kind: silent_node, axis: carriage, at: 12.5 s}
      - {kind: stalled_axis, node: beam_right, step: "12.3 (2 of 5)", at_speed: 240 mm/s}
    draw: {kinds: [lost_reply, silent_node], axes: all, count: 1, within: [0 s, 90 s]}
    vary: {reply: [0.5, 3], friction: [0.5, 2], noise: [0 counts, 6 counts]}

A fault counts, waits for its time or for its step; what is drawn (`fault_draw.py`) and varied (`fault_vary.py`) is
drawn from the seed when the file is read, and told as entries that say it outright. So the same file and seed give the
same run, and so does the file of those entries.
"""

from pathlib import Path

from choreo_sim.fault_draw import draw
from choreo_sim.fault_entry import Entry, Fired, Workshop
from choreo_sim.fault_frames import FRAMES
from choreo_sim.fault_kinds import KINDS
from choreo_sim.fault_node_text import flow, scalar
from choreo_sim.fault_nodes import NODES
from choreo_sim.fault_set import FaultSet, Other
from choreo_sim.fault_vary import vary
from choreo_sim.machine_file import MachineTruth
from choreo_sim.yaml_tree import Node, read_tree

__all__ = ["OTHERS", "FaultFile", "FaultSet", "Fired"]

#: What `kind:` may say of the bus, of the adapter, and of several drives.
OTHERS: dict[str, Other] = {**FRAMES, **NODES}


class FaultFile:
    """A fault file that has been read; RecipeError, with the place, for what it may not say."""

    def __init__(self, path: Path, seed: int) -> None:
        self._root = read_tree(path)
        given = self._root.only(("title", "faults", "draw", "vary"))
        if not {"faults", "draw", "vary"} & set(given):
            self._root.need("faults")
        self._seed = seed
        self._varied: list[str] = []

    def vary(self, truth: MachineTruth) -> MachineTruth:
        """The machine as it is in this run."""
        given = self._root.mapping().get("vary")
        if given is None:
            return truth
        truth, self._varied = vary(given, truth, self._seed)
        return truth

    def put(self, shop: Workshop) -> FaultSet:
        """Put every fault where it belongs."""
        faults = FaultSet()
        given = self._root.mapping()
        said = given["faults"].items() if "faults" in given else []
        drawn = draw(given["draw"], shop, (*KINDS, *OTHERS)) if "draw" in given else []
        for node in [*said, *drawn]:
            _put(node, shop, faults)
        faults.drawn = (*self._varied, *(flow(node) for node in drawn))
        faults.explicit = self._outright([*said, *drawn])
        return faults

    def _outright(self, entries: list[Node]) -> str:
        title = self._root.mapping().get("title")
        lines = [] if title is None else [f"title: {scalar(title.text())}"]
        if self._varied:
            lines += ["vary:", *(f"  - {entry}" for entry in self._varied)]
        lines += ["faults:", *(f"  - {flow(node)}" for node in entries)] if entries else ["faults: []"]
        return "\n".join(lines) + "\n"


def _put(node: Node, shop: Workshop, faults: FaultSet) -> None:
    entry = Entry(node, shop)
    faults.entries.append((flow(node), entry))
    kind = node.need("kind").one_of((*KINDS, *OTHERS))
    if kind in KINDS:
        KINDS[kind](entry)
    else:
        entry.check(OTHERS[kind].keys)
        OTHERS[kind].put(entry, faults)
