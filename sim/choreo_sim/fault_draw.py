"""
Faults drawn at random from the seed.

    draw: {kinds: [lost_reply, silent_node], axes: all, count: 1, within: [0 s, 90 s]}

or a list of such entries. `kinds` and `axes` are lists or `all`; with `steps` (a list of steps, as `step:` names them)
each fault is pinned to one of them, and `within` counts from its beginning. `count` is a number or a range `[1, 3]`.
What is drawn is an entry like any other, so it can be written into a file and run again without the draw.
"""

from collections.abc import Sequence
from random import Random

from choreo_sim.fault_entry import Workshop
from choreo_sim.fault_node_text import scalar
from choreo_sim.fault_samples import OF_ALL, OF_AXIS, Keys, Subject, sample
from choreo_sim.yaml_tree import Node, tree_of

MS = 1_000_000
MOST = 100


def draw(node: Node, shop: Workshop, known: Sequence[str]) -> list[Node]:
    """The entries that are drawn; RecipeError, with the place, for what cannot be."""
    entries: list[Node] = []
    for place, one in enumerate(node.items() if isinstance(node.value, list) else [node]):
        entries += _draw(one, shop, known, Random(f"faults {place} {shop.seed}"))
    return entries


def _draw(node: Node, shop: Workshop, known: Sequence[str], chance: Random) -> list[Node]:
    given = node.only(("kinds", "axes", "steps", "count", "within"))
    subjects = {name: Subject.of(drive.mechanics.truth, drive.inputs.levels({})) for name, drive in shop.drives.items()}
    kinds = _several(node.need("kinds"), [kind for kind in (*OF_AXIS, *OF_ALL) if kind in known])
    axes = _several(given["axes"], list(subjects)) if "axes" in given else list(subjects)
    steps = [item.text() for item in given["steps"].items()] if "steps" in given else []
    low_ns, high_ns = _window(given.get("within"), node, bool(steps))
    able = {kind: [name for name in axes if kind in OF_ALL or not subjects[name].can(kind)] for kind in kinds}
    possible = [kind for kind in kinds if able[kind]]
    if not possible:
        why = "; ".join(dict.fromkeys(subjects[name].can(kind) for kind in kinds for name in axes))
        raise node.error(f"none of these kinds can be drawn for these axes: {why}")
    lines = []
    for _ in range(_count(given.get("count"), chance)):
        kind = chance.choice(possible)
        axis = chance.choice(able[kind])
        when = f"{chance.randrange(low_ns // MS, high_ns // MS + 1)} ms"
        moment: Keys = {"step": scalar(chance.choice(steps)), "after": when} if steps else {"at": when}
        lines.append(sample(kind, subjects[axis], moment, chance))
    return (
        tree_of("drawn:\n" + "".join(f"  - {line}\n" for line in lines), node.place).need("drawn").items()
        if lines
        else []
    )


def _several(node: Node, known: list[str]) -> list[str]:
    """A list of names, one name, or `all`."""
    if not isinstance(node.value, list):
        return known if node.text() == "all" else [node.one_of(known)]
    if not node.items():
        raise node.error("at least one is needed here, or `all`")
    return [item.one_of(known) for item in node.items()]


def _window(node: Node | None, draw: Node, pinned: bool) -> tuple[int, int]:
    """The first and the last moment; with steps the step's own beginning where nothing is said."""
    if node is None:
        if pinned:
            return 0, 0
        raise draw.error("`within` is missing here: [0 s, 90 s], the times between which a fault begins")
    ends = [item.time_ns() for item in node.items()]
    if len(ends) != 2 or not 0 <= ends[0] <= ends[1]:
        raise node.error("a window is two times, the first not above the second: [0 s, 90 s]")
    return ends[0], ends[1]


def _count(node: Node | None, chance: Random) -> int:
    if node is None:
        return 1
    if not isinstance(node.value, list):
        return node.integer(0, MOST)
    ends = [item.integer(0, MOST) for item in node.items()]
    if len(ends) != 2 or ends[0] > ends[1]:
        raise node.error("a range is two numbers, the first not above the second: [1, 3]")
    return chance.randrange(ends[0], ends[1] + 1)
