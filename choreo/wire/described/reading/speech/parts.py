"""One part of a payload, as a dialect file writes it."""

import re
from collections.abc import Mapping
from fractions import Fraction
from typing import cast

from choreo.text.tree import Tree
from choreo.wire.described.frames.fields import (
    MOST_BYTES,
    Bits,
    ByteOrder,
    Constant,
    Ignored,
    Number,
    Part,
    Rolling,
    Shortest,
    plain_bit,
)
from choreo.wire.described.frames.kinds import WORDS, Kind, Linear, Span, kind_of
from choreo.wire.described.reading.reader import Entry, Reader, near, quoted, value_of
from choreo.wire.described.reading.speech.checksums import Checksums, read_checksum

_NUMBER = re.compile(r"([a-z_]+) +([0-9]{1,3})")
_SHORTEST = re.compile(r"shortest +(signed|unsigned)((?: +[0-9]{1,3})*)")
_UNUSED_BIT = "-"
_FORMS = (
    "A part is {constant: 0x11}, {name: signed 32}, {name: unsigned 8}, {bits: [a, b, -, -, -, -, -, -]}, "
    "{ignored: 8}, {rolling: 4} or {checksum: sum 8}."
)
#: What may stand beside the key that says what a part is.
_OPTIONS: Mapping[str, tuple[str, ...]] = {
    "constant": ("bits",),
    "ignored": (),
    "bits": (),
    "rolling": ("echoed",),
    "checksum": ("over", "order"),
}
_OF_NUMBER = ("order", "step", "from", "to", "special")
_BESIDE = frozenset(option for options in (*_OPTIONS.values(), _OF_NUMBER) for option in options) - {"bits"}
_MOST_BITS = 8 * MOST_BYTES


def read_part(reader: Reader, tree: Tree, what: str, checksums: Checksums) -> Part | None:
    """A part, or None with findings. `checksums` are those that the file defines by name."""
    entries = reader.open_mapping(tree, f"a part of {what}")
    if entries is None:
        return None
    head = _head(reader, tree, entries, what)
    if head is None:
        return None
    reader.unknown_keys(entries, f"a part of {what}", (head, *_OPTIONS.get(head, _OF_NUMBER)))
    value = entries[head].value
    if head == "constant":
        return _read_constant(reader, entries, what)
    if head == "ignored":
        bits = reader.integer(value, f"the ignored bits of {what}", 1, _MOST_BITS)
        return None if bits is None else Ignored(bits)
    if head == "bits":
        return _read_bits(reader, value, what)
    if head == "rolling":
        return _read_rolling(reader, entries, what)
    if head == "checksum":
        return read_checksum(reader, entries, what, checksums)
    if reader.name(entries[head].key, f"field of {what}") is None:
        return None
    return _read_number(reader, head, entries, what)


def _head(reader: Reader, tree: Tree, entries: Mapping[str, Entry], what: str) -> str | None:
    """The key that says what the part is."""
    heads = [name for name in entries if name not in _BESIDE and not (name == "bits" and "constant" in entries)]
    if len(heads) > 1:
        sure = [name for name in heads if name in _OPTIONS or _looks_like_number(entries[name].value)]
        heads = sure if len(sure) == 1 else heads
    if len(heads) != 1:
        headline = f"a part of {what} has {len(heads)} keys, and must have one"
        reader.error("part", f"{headline} that says what it is" if not heads else headline, tree.span, _FORMS)
        return None
    return heads[0]


def _looks_like_number(tree: Tree) -> bool:
    return isinstance(tree, str) and bool(_NUMBER.fullmatch(tree) or _SHORTEST.fullmatch(tree))


def _read_constant(reader: Reader, entries: Mapping[str, Entry], what: str) -> Constant | None:
    bits: int | None = 8
    if "bits" in entries:
        bits = reader.integer(entries["bits"].value, f"the bits of a constant of {what}", 1, _MOST_BITS)
    value = reader.integer(entries["constant"].value, f"a constant of {what}", 0, (1 << (bits or _MOST_BITS)) - 1)
    return None if value is None or bits is None else Constant(value, bits)


def _read_bits(reader: Reader, tree: Tree, what: str) -> Bits | None:
    items = reader.items(tree, f"the bits of {what}")
    if items is None:
        return None
    if not 1 <= len(items) <= _MOST_BITS:
        help = "Name each bit, the least significant first, with - for those without meaning."
        reader.error("part", f"the bits of {what} are {len(items)}, and must be 1 to {_MOST_BITS}", tree.span, help)
        return None
    names: list[str | None] = []
    for item in items:
        name = None if item == _UNUSED_BIT else reader.name(item, f"bit of {what}")
        if name is None and item != _UNUSED_BIT:
            return None
        if name is not None and plain_bit(name) in [plain_bit(other) for other in names if other is not None]:
            reader.error("duplicate", f"{what} has two bits `{plain_bit(name)}`", item.span, "Rename one.")
            return None
        names.append(name)
    return Bits(tuple(names))


def _read_rolling(reader: Reader, entries: Mapping[str, Entry], what: str) -> Rolling | None:
    bits = reader.integer(entries["rolling"].value, f"the rolling counter of {what}", 1, 32)
    word = reader.choice(value_of(entries, "echoed"), f"echoed of {what}", ("true", "false"))
    return None if bits is None else Rolling(bits, word == "true")


def _read_number(reader: Reader, name: str, entries: Mapping[str, Entry], what: str) -> Part | None:
    tree = entries[name].value
    text = reader.text(tree, f"field {name} of {what}")
    if text is None:
        return None
    called = f"field {name} of {what}"
    step = _read_step(reader, entries, called, text)
    shortest = _SHORTEST.fullmatch(text)
    kind: Kind | None
    if shortest is not None:
        widths = _read_widths(reader, tree, shortest[2], called)
        kind = None if widths is None else Linear(shortest[1], widths[-1])
    else:
        widths, kind = None, _read_kind(reader, tree, text, called, step)
    order = reader.choice(value_of(entries, "order"), f"the order of {called}", ("little", "big"))
    if kind is None:
        return None
    low, high, special = _read_allowed(reader, entries, called, kind.bounds)
    if low is not None and high is not None and low > high:
        help = "Write the smaller behind `from`."
        reader.error("value", f"{called} goes from {low} to {high}", entries["to"].value.span, help)
        return None
    its_order = cast(ByteOrder | None, order)
    if widths is not None:
        word = cast(Linear, kind).word
        return Shortest(name, "signed" if word == "signed" else "unsigned", widths, its_order, low, high, special)
    return Number(name, kind, its_order, low, high, special)


def _read_kind(reader: Reader, tree: Tree, text: str, called: str, step: Fraction) -> Kind | None:
    match = _NUMBER.fullmatch(text)
    word = text.split(" ", maxsplit=1)[0]
    if match is None or word not in WORDS:
        hint = near(word, (*WORDS, "shortest")) if word not in WORDS else _FORMS
        reader.error("part", f"{called} cannot be {quoted(text)}", tree.span, hint)
        return None
    try:
        return kind_of(word, int(match[2]), step)
    except ValueError as widths:
        reader.error("part", f"{called} has {match[2]} bits, and {word} has {widths}", tree.span, f"Take {widths}.")
        return None


def _read_widths(reader: Reader, tree: Tree, text: str, called: str) -> tuple[int, ...] | None:
    widths = tuple(int(width) for width in text.split()) or tuple(range(8, _MOST_BITS + 1, 8))
    if any(width % 8 or not 8 <= width <= _MOST_BITS for width in widths) or list(widths) != sorted(set(widths)):
        help = "Write the widths that exist, multiples of 8 up to 64, rising: `shortest signed 16 32`."
        reader.error("part", f"{called} cannot have the widths {text.strip()}", tree.span, help)
        return None
    return widths


def _read_step(reader: Reader, entries: Mapping[str, Entry], called: str, text: str) -> Fraction:
    """1 where there is none, or none that could be read."""
    if "step" not in entries:
        return Fraction(1)
    if not text.startswith("float"):
        help = "Integers have no step; what a raw step means is said under `settings:`."
        reader.error("unknown-key", f"{called} has a step, and is no float", entries["step"].key.span, help)
        return Fraction(1)
    return reader.ratio(entries["step"].value, f"the step of {called}") or Fraction(1)


def _read_allowed(
    reader: Reader, entries: Mapping[str, Entry], called: str, bounds: Span
) -> tuple[int | None, int | None, Mapping[int, str]]:
    low = reader.integer(value_of(entries, "from"), f"`from` of {called}", *bounds)
    high = reader.integer(value_of(entries, "to"), f"`to` of {called}", *bounds)
    codes = reader.codes(value_of(entries, "special"), f"special values of {called}", *bounds)
    return low, high, {code: placed.text for code, placed in codes.items()}
