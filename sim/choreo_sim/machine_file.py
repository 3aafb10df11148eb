"""
Machine truths as YAML: what is true of a machine, whatever a recipe believes about it.

    choreo_machine: 1
    bit_rate: 500 kbit/s                       # of the bus, where no recipe says it; 500 kbit/s if not given
    axes:
      left:
        node: 11
        dialect: short_frame
        unit: mm
        counts_per_unit: 24576/5
        encoder_at_power_up: 183204 counts      # what an unhomed drive reads at `start`
        start: 500 mm
        limit_switches: [-20 mm, 2420 mm]
        buffers: [-60 mm, 2460 mm]
        home_switch: {edge: -8 mm, towards: negative, scatter: 0.01 mm}
        lag: 8 ms
        noise: 2 counts
      right: {like: left, node: 12, inverted: true, start: 500.4 mm}
    beams:
      beam: {sides: [left, right], structural: 20 mm, stiffness: 150 N/mm}
    inputs:                                        # what they read: high or low, whatever a recipe calls on
      guard:   {axis: left, input: input_3, level: low, changes: {4 s: high, 6 s: low}}
      probe:   {axis: left, input: input_1, above: 700 mm}             # high there; `below`; `of:` another axis
      clamped: {axis: left, input: input_2, output: 1, after: 120 ms}  # follows an output; `of:` another axis' drive
"""

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

from choreo.errors import RecipeError
from choreo_sim.input_file import read_inputs
from choreo_sim.truth import AxisTruth, BeamTruth, BrakeTruth, HomeSwitch, InputTruth
from choreo_sim.yaml_tree import Node, one_of, read_text, tree_of

USUAL_BIT_RATE = 500_000
_BIT_RATES = {"bit/s": Fraction(1), "kbit/s": Fraction(1000), "Mbit/s": Fraction(1_000_000)}
_COUNTS = {"counts": Fraction(1)}
_AXIS_KEYS = (
    "like",
    "node",
    "dialect",
    "unit",
    "counts_per_unit",
    "inverted",
    "encoder_at_power_up",
    "start",
    "limit_switches",
    "buffers",
    "home_switch",
    "load",
    "brake",
    "lag",
    "noise",
    "friction",
    "reply",
    "settings",
)


@dataclass(frozen=True, slots=True)
class MachineTruth:
    """A whole machine: its axes in the order of the file, the beams that two of them carry, what its inputs read."""

    axes: tuple[AxisTruth, ...]
    beams: tuple[BeamTruth, ...]
    inputs: tuple[InputTruth, ...] = ()
    bit_rate: int = USUAL_BIT_RATE  # of the bus, where no recipe says it


def find_machine(name: str) -> Path:
    """The file of a machine truth: inside the simulator when installed, beside it in a checkout."""
    here = Path(__file__).parent
    folder = here / "machines" if (here / "machines").is_dir() else here.parent / "machines"
    known = sorted(path.stem for path in folder.glob("*.yaml"))
    if name not in known:
        near = difflib.get_close_matches(name[:60], known, 1)
        help = f"Did you mean {near[0]}?" if near else f"There is {one_of(known)}."
        raise RecipeError(f"no machine truth is called {name[:60]!r}", rule="simulated-machine", help=help)
    return folder / f"{name}.yaml"


def read_machine(path: Path) -> MachineTruth:
    """The truth in a file; RecipeError, with the place, for what is wrong with it."""
    return _machine_of(read_text(path), path.name)


@lru_cache(maxsize=16)
def _machine_of(text: str, name: str) -> MachineTruth:
    root = tree_of(text, name)
    root.only(("choreo_machine", "title", "bit_rate", "axes", "beams", "inputs"))
    root.need("choreo_machine").one_of(("1",))
    axes: dict[str, AxisTruth] = {}
    raw: dict[str, Mapping[str, Node]] = {}
    for name, node in root.need("axes").mapping().items():
        entries = dict(node.only(_AXIS_KEYS))
        if "like" in entries:
            entries = {**raw[entries["like"].one_of(raw)], **entries}
        raw[name] = entries
        axes[name] = _axis(name, Node(node.place, entries))
    if len({axis.node for axis in axes.values()}) < len(axes):
        raise root.need("axes").error("two axes have the same node")
    beams = root.mapping().get("beams")
    return MachineTruth(
        tuple(axes.values()),
        tuple(_beam(name, node, axes) for name, node in beams.mapping().items()) if beams is not None else (),
        read_inputs(root.mapping().get("inputs"), axes),
        _bit_rate(root.mapping()["bit_rate"]) if "bit_rate" in root.mapping() else USUAL_BIT_RATE,
    )


def _bit_rate(node: Node) -> int:
    rate = node.amount(_BIT_RATES)
    if not 1 <= rate <= 1_000_000 or rate.denominator > 1:
        raise node.error("a bit rate is from 1 bit/s to 1 Mbit/s")
    return int(rate)


def _axis(name: str, node: Node) -> AxisTruth:
    unit = node.need("unit").one_of(("mm", "deg", "rev"))
    given = node.mapping()

    def length(entry: Node) -> Fraction:
        return entry.amount({unit: Fraction(1)})

    def ends(key: str) -> tuple[Fraction, Fraction]:
        entry = node.need(key)
        low, high = (length(item) for item in _two(entry))
        if low >= high:
            raise entry.error("the first must lie below the second")
        return low, high

    vertical = "load" in given and given["load"].one_of(("horizontal", "vertical")) == "vertical"
    more: dict[str, Fraction] = {}
    if "friction" in given:
        more["friction"] = given["friction"].amount({f"{unit}/s^2": Fraction(1)})
    return AxisTruth(
        name=name,
        node=node.need("node").integer(0, 1 << 20),
        dialect=node.need("dialect").text(),
        unit=unit,
        counts_per_unit=_above_zero(node.need("counts_per_unit")),
        inverted="inverted" in given and given["inverted"].flag(),
        encoder_at_power_up=round(node.need("encoder_at_power_up").amount(_COUNTS)),
        start=length(node.need("start")),
        limit_switches=ends("limit_switches"),
        buffers=ends("buffers"),
        home=(_home(node.need("home_switch"), unit),),
        vertical=vertical,
        brake=_brake(given["brake"], unit) if "brake" in given else None,
        lag_ns=given["lag"].time_ns() if "lag" in given else 0,
        noise_counts=round(given["noise"].amount(_COUNTS)) if "noise" in given else 0,
        reply_ns=_reply(given["reply"]) if "reply" in given else None,
        settings={key: raw.integer(0, 1 << 32) for key, raw in given["settings"].mapping().items()}
        if "settings" in given
        else {},
        **more,
    )


def _above_zero(node: Node) -> Fraction:
    if node.fraction() <= 0:
        raise node.error(f"{node.text()} must be above zero")
    return node.fraction()


def _two(node: Node) -> list[Node]:
    if len(node.items()) != 2:
        raise node.error(f"two values are expected here, not {len(node.items())}")
    return node.items()


def _reply(node: Node) -> tuple[int, int]:
    shortest, longest = (item.time_ns() for item in _two(node))
    if not 0 < shortest <= longest:
        raise node.error("the first must be above zero and not above the second")
    return shortest, longest


def _home(node: Node, unit: str) -> HomeSwitch:
    given = node.only(("edge", "towards", "scatter"))
    return HomeSwitch(
        edge=node.need("edge").amount({unit: Fraction(1)}),
        towards=1 if node.need("towards").one_of(("negative", "positive")) == "positive" else -1,
        scatter=given["scatter"].amount({unit: Fraction(1)}) if "scatter" in given else Fraction(0),
    )


def _brake(node: Node, unit: str) -> BrakeTruth:
    node.only(("release", "engage", "sag"))
    return BrakeTruth(
        release_ns=node.need("release").time_ns(),
        engage_ns=node.need("engage").time_ns(),
        sag=node.need("sag").amount({unit: Fraction(1)}),
    )


def _beam(name: str, node: Node, axes: Mapping[str, AxisTruth]) -> BeamTruth:
    given = node.only(("sides", "structural", "stiffness"))
    left, right = (item.one_of(axes) for item in _two(node.need("sides")))
    unit = axes[left].unit
    return BeamTruth(
        name=name,
        sides=(left, right),
        structural=node.need("structural").amount({unit: Fraction(1)}),
        stiffness=given["stiffness"].amount({f"N/{unit}": Fraction(1)}) if "stiffness" in given else Fraction(0),
    )
