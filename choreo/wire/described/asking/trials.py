"""
Dialect test files: frames copied from a drive's manual, and what the manual says that they mean.

    choreo_dialect_test: 1
    dialect: ./index_drive.yaml               # or the name of a shipped one
    frames:
      - {frame: "14B#12", says: {request: read_position, node: 11}, manual: page 12}
      - {frame: "12B#EE.42.01", says: {error_reply: true, node: 11, refused: 0x42, error: 1}}
      - {frame: "040#51", says: {request: start, node: all}}
      - {frame: "1FF#00", says: nothing}      # must be none of the dialect's

Each frame is taken apart and compared, and what it says is put together and compared byte for byte. Fields that `says`
leaves out are not compared.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from choreo.diagnostic import Finding, Mark, Refused, Span
from choreo.frame import Frame, frame_of
from choreo.text import Source, compose, read_text
from choreo.text.tree import Text, Tree
from choreo.wire.described.asking.nearly import called, near_misses
from choreo.wire.described.asking.places import same_but_unused
from choreo.wire.described.dialect import DescribedDialect
from choreo.wire.described.files import load_dialect, shipped_file
from choreo.wire.described.frames.codec import Found, Role, Shape
from choreo.wire.described.reading.reader import Entry, Reader, near, value_of

VERSION = 1
_NEEDS = ("choreo_dialect_test", "dialect", "frames")
_NOTHING = "nothing"
_ALL = "all"
#: How `says` names the four roles.
_ROLES = {"request": Role.REQUEST, "reply": Role.REPLY, "error_reply": Role.ERROR, "event": Role.EVENT}
#: More than this many lines of help about one frame help nobody.
_MISSES = 2


class Trial(NamedTuple):
    """One frame and what it should say. `shape` None: it should be none of the dialect's."""

    frame: Frame
    shape: Shape | None
    node: int | None  # None: all
    values: Mapping[str, int]
    frame_place: Text
    says_place: Span
    value_places: Mapping[str, Span]


class Trials(NamedTuple):
    """What was checked: the dialect's name, how many frames."""

    dialect: str
    frames: int


def check_trials(path: str | Path, name: str | None = None) -> Trials:
    """
    Read a dialect test file and hold the dialect against it. Findings call the file `name`, by default the path.

    Raises Refused with every mistake of the file, or of the dialect, and every frame that says something else.
    """
    source = read_text(path, name)
    reader = Reader()
    root = reader.mapping(compose(source), "the dialect test", _NEEDS, ("title",)) or {}
    reader.integer(value_of(root, _NEEDS[0]), "choreo_dialect_test, the version of test files,", VERSION, VERSION)
    dialect = _read_dialect(reader, value_of(root, "dialect"), Path(path).parent, source)
    rows = reader.items(value_of(root, "frames"), "frames")
    count = 0
    for row in rows or ():
        trial = None if dialect is None else _read_trial(reader, row, dialect)
        if trial is not None and dialect is not None:
            reader.findings.extend(_compare(trial, dialect))
            count += 1
    if rows is not None and not rows:
        place = root["frames"].value.span
        reader.error("test-empty", "the dialect test has no frames", place, "Copy some from the manual.")
    if reader.findings or dialect is None:
        raise _refused(reader.findings, source)
    return Trials(dialect.name, count)


def _refused(findings: Sequence[Finding], source: Source) -> Refused:
    return Refused(findings, {source.file: source.lines})


def _read_dialect(reader: Reader, tree: Tree | None, folder: Path, source: Source) -> DescribedDialect | None:
    """A file is named with a slash or its ending, and its path counts from the folder of the test file."""
    named = reader.text(tree, "the dialect")
    if named is None or tree is None:
        return None
    own = named.endswith((".yaml", ".yml")) or "/" in named
    try:
        if own:
            return load_dialect(folder / named)
        return load_dialect(shipped_file(named), f"{named}.yaml")
    except Refused as refused:
        if any(finding.primary is not None for finding in refused.findings):  # mistakes inside the dialect come first
            lines = {**refused.lines, source.file: source.lines}
            raise Refused([*refused.findings, *reader.findings], lines) from None
        for finding in refused.findings:
            reader.findings.append(Finding(finding.rule, finding.headline, Mark(tree.span), help=finding.help))
        return None


# ---- one frame -----------------------------------------------------------------------------------------------------


def _read_trial(reader: Reader, tree: Tree, dialect: DescribedDialect) -> Trial | None:
    parts = reader.mapping(tree, "a frame", ("frame", "says"), ("manual", "note"))
    place, says = value_of(parts, "frame"), value_of(parts, "says")
    text = reader.text(place, "the frame")
    if text is None or not isinstance(place, Text) or says is None:
        return None
    try:
        frame = frame_of(text)
    except ValueError as wrong:
        reader.error("test-frame", str(wrong), place.span, "Write identifier, #, and the data bytes, in hexadecimal.")
        return None
    if isinstance(says, Text) and says == _NOTHING:
        return Trial(frame, None, None, {}, place, says.span, {})
    entries = reader.open_mapping(says, "what a frame says")
    if entries is None:
        return None
    shape = _read_shape(reader, entries, dialect, says.span)
    if shape is None:
        return None
    node = _read_node(reader, entries, dialect, shape, says.span)
    before = len(reader.findings)
    values, places = _read_values(reader, entries, shape)
    if node == _WRONG or len(reader.findings) > before:
        return None
    return Trial(
        frame, shape, None if node == dialect.frames.addressing.broadcast else node, values, place, says.span, places
    )


def _read_shape(reader: Reader, entries: Mapping[str, Entry], dialect: DescribedDialect, at: Span) -> Shape | None:
    named = [key for key in _ROLES if key in entries]
    if len(named) != 1:
        what = "what a frame says names " + (
            " and ".join(named) if named else "no request, reply, event or error reply"
        )
        help = "Write one of `request: NAME`, `reply: NAME`, `event: NAME`, `error_reply: true`, or `says: nothing`."
        reader.error("test-says", what, at, help)
        return None
    (key,) = named
    place = entries[key].value
    if key == "error_reply":
        shape = dialect.frames.error_reply
        if reader.choice(place, "error_reply", ("true",)) is None:
            return None
        if shape is None:
            reader.error("test-says", f"dialect {dialect.name} has no error reply", place.span, "Describe it there.")
        return shape
    shapes = {
        "request": dialect.frames.requests,
        "reply": dialect.frames.replies,
        "event": dialect.frames.events,
    }[key]
    word = reader.choice(place, f"the {key}", tuple(shapes))
    return None if word is None else shapes[word]


#: No node number: it could not be read.
_WRONG = -1


def _read_node(reader: Reader, entries: Mapping[str, Entry], dialect: DescribedDialect, shape: Shape, at: Span) -> int:
    """The node number, or the broadcast number."""
    addressing = dialect.frames.addressing
    entry = entries.get("node")
    if entry is None:
        reader.error(
            "test-says", "what a frame says has no `node`", at, "Add `node: 11`, or `node: all` for a broadcast."
        )
        return _WRONG
    if entry.value == _ALL:
        if shape.broadcast != "never" and addressing.broadcast is not None:
            return addressing.broadcast
        what = f"`node: all`, and {called(shape)} is never broadcast"
        reader.error("test-says", what, entry.value.span, "Name the node.")
        return _WRONG
    number = reader.integer(entry.value, "the node", addressing.first, addressing.last)
    if number is None:
        return _WRONG
    if shape.broadcast == "only":
        what = f"{called(shape)} is broadcast only, and node {number} is named"
        reader.error("test-says", what, entry.value.span, "Write `node: all`.")
        return _WRONG
    return number


def _read_values(reader: Reader, entries: Mapping[str, Entry], shape: Shape) -> tuple[dict[str, int], dict[str, Span]]:
    values: dict[str, int] = {}
    places: dict[str, Span] = {}
    fields = shape.layout.ranges
    for name, entry in entries.items():
        if name in _ROLES or name == "node":
            continue
        if name not in fields:
            what = f"{called(shape)} has no field `{name}`"
            reader.error("test-says", what, entry.key.span, near(name, fields) if fields else "It has none.")
            continue
        value = reader.integer(entry.value, f"field {name}", *fields[name])
        if value is not None:
            values[name], places[name] = value, entry.value.span
    return values, places


# ---- the comparison ------------------------------------------------------------------------------------------------


def _compare(trial: Trial, dialect: DescribedDialect) -> list[Finding]:
    found = dialect.find(trial.frame)
    text = trial.frame.text()
    if trial.shape is None:
        if found is None:
            return []
        what = f"{text} should be none of the dialect's, and is {called(found.shape)} of {_whose(found.node)}"
        help = "If the drive does not speak so, the dialect is too wide: add the constant or the length that differs."
        return [Finding("dialect-test-taken", what, Mark(trial.frame_place.span), help=help)]
    if found is None:
        return [_not_taken(trial, dialect)]
    wrong = _compare_parts(trial, found)
    return wrong or _compare_bytes(trial, found, dialect)


def _not_taken(trial: Trial, dialect: DescribedDialect) -> Finding:
    assert trial.shape is not None
    text = trial.frame.text()
    what = f"{text} should be {called(trial.shape)} of {_whose(trial.node)}, and is none of the dialect's frames"
    wanted = _composed(trial, dialect, {})
    help = f"The dialect would write {wanted.text()}. " if wanted is not None else ""
    misses = near_misses(dialect, trial.frame, only=trial.shape) or near_misses(dialect, trial.frame)
    help += " ".join(f"{miss.text[0].upper()}{miss.text[1:]}." for miss in misses[:_MISSES])
    return Finding("dialect-test-not-taken", what, Mark(trial.frame_place.span), help=help.strip() or _LOOK)


_LOOK = "Hold the dialect against the manual: identifier, length, constants, checksum."


def _compare_parts(trial: Trial, found: Found) -> list[Finding]:
    shape, text = trial.shape, trial.frame.text()
    assert shape is not None
    if (found.shape.message, found.shape.role) != (shape.message, shape.role):
        what = f"{text} should be {called(shape)}, and the dialect takes it for {called(found.shape)}"
        return [Finding("dialect-test-other", what, Mark(trial.frame_place.span), help=_LOOK)]
    if found.node != trial.node:
        what = f"{text} should be of {_whose(trial.node)}, and the dialect says {_whose(found.node)}"
        help = "Look at the base of the identifier range, or at where the node number lies in the identifier."
        return [Finding("dialect-test-node", what, Mark(trial.says_place), help=help)]
    return [
        _other_value(trial, name, wanted, found.values[name])
        for name, wanted in trial.values.items()
        if found.values.get(name, wanted) != wanted
    ]


def _other_value(trial: Trial, name: str, wanted: int, got: int) -> Finding:
    what = f"{trial.frame.text()}: {name} should be {wanted} ({wanted:#x}), and the dialect reads {got} ({got:#x})"
    help = "Look at the byte order, the width, the sign and the place of the field in the dialect."
    return Finding("dialect-test-value", what, Mark(trial.value_places[name], f"the dialect reads {got}"), help=help)


def _compare_bytes(trial: Trial, found: Found, dialect: DescribedDialect) -> list[Finding]:
    """What it says, put together again: only bits that mean nothing, and the checksum over them, may be others."""
    made = _composed(trial, dialect, found.values)
    if made is None or same_but_unused(found.shape.layout, made.data, trial.frame.data):
        return []
    what = f"{trial.frame.text()} is read as it should be, and written again it is {made.text()}"
    help = "The dialect rounds what the frame says: look at the step of a float."
    return [Finding("dialect-test-bytes", what, Mark(trial.frame_place.span), help=help)]


def _composed(trial: Trial, dialect: DescribedDialect, more: Mapping[str, int]) -> Frame | None:
    """The frame that the dialect would write; None where `says` does not name all fields."""
    assert trial.shape is not None
    try:
        return dialect.compose(trial.shape, trial.node, {**more, **trial.values})
    except ValueError:
        return None


def _whose(node: int | None) -> str:
    return "all nodes" if node is None else f"node {node}"
