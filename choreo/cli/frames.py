"""`choreo explain frame`: one frame taken apart or put together, in words."""

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from choreo.cli.manual.meaning import AxisScale
from choreo.diagnostic import did_you_mean
from choreo.errors import Exit, RecipeError
from choreo.frame import Frame, frame_of
from choreo.wire.described import DescribedDialect, load_dialect, shipped_file
from choreo.wire.described.frames.codec import Shape

#: What may stand in front of a message's name.
_ROLES = ("request", "reply", "event", "error_reply")
_ALL = "all"


@dataclass(frozen=True, slots=True)
class Speaker:
    """A dialect, and the axes that speak it by their node; none where no recipe was given."""

    dialect: DescribedDialect
    axes: Mapping[int, AxisScale]


def explain_frame(words: Sequence[str], dialect: str | None, recipe: Path | None, node: str | None) -> int:
    """
    Print what a frame says (`words` is one frame as text), or compose one (`words` are a message and `field=value`).

    Raises RecipeError, or Refused for a dialect or a recipe with mistakes.
    """
    from choreo.cli.manual.frame_page import frame_page
    from choreo.cli.terminal import width

    if not words:
        raise _usage("no frame and no message is named")
    speakers = find_speakers(dialect, recipe)
    if "#" in words[0]:
        if len(words) > 1 or node is not None:
            more = words[1] if len(words) > 1 else "--node"
            raise _usage(f"{more[:60]!r} does not go with the frame {words[0][:60]!r}, which says all by itself")
        frame = _frame(words[0])
        speaker = next((one for one in speakers if one.dialect.find(frame) is not None), speakers[0])
    else:
        speaker, frame = compose(words, speakers, node)
    for line in frame_page(speaker, frame, width(sys.stdout)):
        print(line)
    return Exit.DONE


def _usage(what: str) -> RecipeError:
    help = "choreo explain frame 14B#12 --dialect NAME, or: choreo explain frame echo --node 11 count=7 --dialect NAME"
    return RecipeError(what, rule="usage", help=help)


def _frame(text: str) -> Frame:
    try:
        return frame_of(text)
    except ValueError as wrong:
        raise RecipeError(str(wrong), rule="frame", help="Identifier, #, data bytes, all hexadecimal.") from None


# ---- whose frames ----------------------------------------------------------------------------------------------------


def find_speakers(dialect: str | None, recipe: Path | None) -> list[Speaker]:
    """The dialects that are meant, at least one. Raises RecipeError or Refused."""
    if dialect is not None and recipe is not None:
        raise _usage("--dialect and --recipe are both given, and a recipe's axes name their dialects")
    if recipe is not None:
        return _of_recipe(recipe)
    if dialect is None:
        help = "Add --dialect with a name or a file, or --recipe so that axis names and units appear."
        raise RecipeError("a frame means something in a dialect only, and none is named", rule="usage", help=help)
    own = dialect.endswith((".yaml", ".yml")) or "/" in dialect
    return [Speaker(load_dialect(dialect) if own else load_dialect(shipped_file(dialect), f"{dialect}.yaml"), {})]


def _of_recipe(path: Path) -> list[Speaker]:
    from choreo.diagnostic import Refused
    from choreo.plan.amounts import Findings
    from choreo.plan.machine import find_machine
    from choreo.recipe.load import load

    recipe = load(path)
    findings = Findings()
    machine = find_machine(recipe, findings)
    if machine is None:
        raise Refused(list(findings), recipe.sources)
    found = [
        Speaker(
            dialect,
            {
                axis.node: AxisScale(axis.name, axis.unit, axis.counts_per_unit)
                for axis in machine.axes
                if axis.dialect == name
            },
        )
        for name, dialect in machine.dialects.by_name.items()
        if isinstance(dialect, DescribedDialect)
    ]
    if not found:
        raise RecipeError(
            f"no axis of {path} speaks a described dialect", rule="frame", help="Name one: --dialect NAME."
        )
    return found


# ---- composing -------------------------------------------------------------------------------------------------------


def compose(words: Sequence[str], speakers: Sequence[Speaker], node: str | None) -> tuple[Speaker, Frame]:
    """The frame that `[request|reply|event] NAME field=value ...` says. Raises RecipeError."""
    role, rest = (words[0], list(words[1:])) if words[0] in _ROLES else ("request", list(words))
    name = "error_reply" if role == "error_reply" else rest.pop(0) if rest and "=" not in rest[0] else ""
    speaker, number = _addressed(speakers, node)
    shape = _shape(speaker.dialect, role, name)
    values = dict(_assignment(word) for word in rest)
    for field, (low, high) in shape.layout.ranges.items():
        if field == "rolling":  # where nothing is said, the first frame of all
            values.setdefault(field, 0)
        elif field not in values:
            help = f"Add {field}={max(low, 0)} or another value."
            raise RecipeError(
                f"{name} has a field {field}, {low} to {high}, and nothing is given", rule="frame", help=help
            )
    try:
        return speaker, speaker.dialect.compose(shape, number, values)
    except ValueError as wrong:
        fields = ", ".join(shape.layout.ranges) or "it has no fields"
        help = f"Give --node, and field=value for each of its fields: {fields}."
        raise RecipeError(str(wrong), rule="frame", help=help) from None


def _assignment(word: str) -> tuple[str, int]:
    field, equals, text = word.partition("=")
    try:
        if not equals or not field or len(text) > 40:
            raise ValueError
        return field, int(text, 0)
    except ValueError:
        help = "Write field=value with a whole number, decimal or as 0x1F, such as target=-4096."
        raise RecipeError(f"{word[:60]!r} is no field with its value", rule="frame", help=help) from None


def _addressed(speakers: Sequence[Speaker], node: str | None) -> tuple[Speaker, int | None]:
    """By node number, by the name of an axis, or all (also where no node is given)."""
    if node is None or node == _ALL:
        return speakers[0], None
    for speaker in speakers:
        for number, axis in speaker.axes.items():
            if node in (axis.name, str(number)):
                return speaker, number
    if node.isascii() and node.isdigit() and len(node) < 12:
        return speakers[0], int(node)
    names = [axis.name for speaker in speakers for axis in speaker.axes.values()]
    help = did_you_mean(node, names, "Write its number." if not names else "")
    raise RecipeError(f"{node[:60]!r} is no node", rule="frame", help=help)


def _shape(dialect: DescribedDialect, role: str, name: str) -> Shape:
    if role == "error_reply":
        if dialect.frames.error_reply is None:
            raise RecipeError(f"dialect {dialect.name} has no error reply", rule="frame")
        return dialect.frames.error_reply
    frames = dialect.frames
    shapes = {"request": frames.requests, "reply": frames.replies, "event": frames.events}[role]
    if name in shapes:
        return shapes[name]
    if name in frames.series:
        parts = " and ".join(frames.series[name].parts)
        raise RecipeError(f"{name} takes several frames", rule="frame", help=f"Name one of them: {parts}.")
    help = did_you_mean(name, shapes, f"It has {', '.join(shapes)}." if shapes else "It has none.")
    what = f"dialect {dialect.name} has no {role} {name[:60]!r}" if name else f"no {role} is named"
    raise RecipeError(what, rule="frame", help=help)
