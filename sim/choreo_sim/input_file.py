"""The `inputs` of a machine truth: what each reads, by time, by place, or after an output."""

from collections.abc import Mapping
from fractions import Fraction

from choreo_sim.inputs import OUTPUTS
from choreo_sim.truth import AxisTruth, InputTruth
from choreo_sim.yaml_tree import Node

_KEYS = ("axis", "input", "level", "changes", "above", "below", "output", "after", "of")
_LEVELS = ("low", "high")


def read_inputs(node: Node | None, axes: Mapping[str, AxisTruth]) -> tuple[InputTruth, ...]:
    """In the order of the file; RecipeError with the place for what is wrong."""
    if node is None:
        return ()
    found = tuple(_input(name, entry, axes) for name, entry in node.mapping().items())
    if len({(one.axis, one.bit) for one in found}) < len(found):
        raise node.error("two inputs are the same bit of one drive")
    return found


def _input(name: str, node: Node, axes: Mapping[str, AxisTruth]) -> InputTruth:
    given = node.only(_KEYS)
    axis, bit = node.need("axis").one_of(axes), node.need("input").text()
    kinds = [key for key in ("above", "below", "output", "changes") if key in given]
    if len(kinds) > 1:
        raise given[kinds[1]].error(f"an input follows one thing only, and `{kinds[0]}` stands here too")
    for key, owners in (("of", ("above", "below", "output")), ("after", ("output",))):
        if key in given and not set(owners) & set(kinds):
            raise given[key].error(f"`{key}` goes with {' or '.join(f'`{owner}`' for owner in owners)} only")
    of = given["of"].one_of(axes) if "of" in given else axis
    level = given["level"].one_of(_LEVELS) == "high" if "level" in given else bool(kinds) and kinds != ["changes"]
    position = output = None
    for key, side in (("above", 1), ("below", -1)):
        if key in given:
            position = (of, float(given[key].amount({axes[of].unit: Fraction(1)})), side)
    if "output" in given:
        output = (of, given["output"].integer(0, OUTPUTS), given["after"].time_ns() if "after" in given else 0)
    changes = _changes(given["changes"]) if "changes" in given else ()
    return InputTruth(name=name, axis=axis, bit=bit, level=level, changes=changes, position=position, output=output)


def _changes(node: Node) -> tuple[tuple[int, bool], ...]:
    found = [
        (Node(level.place, time).time_ns(), level.one_of(_LEVELS) == "high") for time, level in node.mapping().items()
    ]
    times = [time for time, _ in found]
    if times != sorted(set(times)) or (times and times[0] < 0):
        raise node.error("the times must be in order, from the beginning on")
    return tuple(found)
