"""
What a payload is made of, part by part, as a dialect file lists it.

A part knows its width and what it is; where it lies, the layout decides (`layout.py`).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from choreo_sim.dialect.checksums import PARAMETERS, Sum, cyclic_of, plain_of, sum_of
from choreo_sim.dialect.numbers import Notation, notation_of
from choreo_sim.dialect.places import ByteOrder
from choreo_sim.yaml_tree import Node

WIDEST = 64
LONGEST = 8  # bytes of a classical CAN frame


@dataclass(frozen=True, slots=True)
class Constant:
    """Always the same bits."""

    bits: int
    value: int


@dataclass(frozen=True, slots=True)
class Ignored:
    """Sent as zero, not looked at."""

    bits: int


@dataclass(frozen=True, slots=True)
class Number:
    """A field with a value from `low` to `high`; values in `special` mean something else than they say."""

    name: str
    bits: int
    notation: Notation
    low: int
    high: int
    special: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Flags:
    """
    Named bits, as (name, mask). `resting` is what stands there when nothing is so: a bit is set in it whose name says
    the opposite (`not_enabled`).
    """

    bits: int
    masks: tuple[tuple[str, int], ...]
    resting: int = 0


@dataclass(frozen=True, slots=True)
class Rolling:
    """A counter that goes up by one with each frame; the reply repeats it where `echoed`."""

    bits: int
    echoed: bool


@dataclass(frozen=True, slots=True)
class Checksum:
    """A checksum over parts of the frame: `identifier`, `node`, `payload`, or fields by name."""

    bits: int
    sum: Sum
    over: tuple[str, ...]


Part = Constant | Ignored | Number | Flags | Rolling | Checksum


@dataclass(frozen=True, slots=True)
class Listed:
    """A part with its place in the file; `order` where it has a byte order of its own."""

    node: Node
    part: Part
    order: ByteOrder | None


@dataclass(frozen=True, slots=True)
class Defined:
    """A checksum that the file defines by a name; `order` where it has a byte order of its own."""

    checksum: Checksum
    order: ByteOrder | None


def defined_of(node: Node) -> dict[str, Defined]:
    """The section `checksums`: what each name means in a payload."""
    return {name: _defined(entry) for name, entry in node.mapping().items()}


def _defined(node: Node) -> Defined:
    given = node.only(("sum", "xor", *PARAMETERS, "over", "order"))
    kinds = [kind for kind in ("sum", "xor", "crc") if kind in given]
    if len(kinds) != 1:
        raise node.error(f"one of sum, xor and crc is expected here, not {len(kinds)} of them")
    if kinds == ["crc"]:
        bits, function = cyclic_of(node)
    elif loose := [key for key in PARAMETERS if key in given]:
        raise given[loose[0]].error(f"{loose[0]!r} belongs to a crc")
    else:
        bits, function = plain_of(given[kinds[0]], kinds[0], given[kinds[0]].text())
    return Defined(Checksum(bits, function, _over(given)), _order(given.get("order")))


def _over(given: Mapping[str, Node]) -> tuple[str, ...]:
    return tuple(entry.text() for entry in given["over"].items()) if "over" in given else ("payload",)


def choices_of(item: Node, named: Mapping[str, Defined]) -> list[Listed]:
    """
    The part that stands in a list of parts; several, the narrowest first, where its width is as short as can be.
    `named` are the checksums that the file defines.
    """
    given = item.mapping()
    order = _order(given.get("order"))

    def listed(part: Part) -> Listed:
        return Listed(item, part, order)

    if "constant" in given:
        item.only(("constant", "bits", "order"))
        bits = given["bits"].integer(1, WIDEST) if "bits" in given else 8
        return [listed(Constant(bits, given["constant"].integer(0, (1 << bits) - 1)))]
    if "bits" in given:
        item.only(("bits", "order"))
        return [listed(_flags(given["bits"]))]
    if "ignored" in given:
        item.only(("ignored",))
        return [listed(Ignored(given["ignored"].integer(1, WIDEST)))]
    if "rolling" in given:
        item.only(("rolling", "echoed"))
        echoed = "echoed" in given and given["echoed"].flag()
        return [listed(Rolling(given["rolling"].integer(1, WIDEST), echoed))]
    if "checksum" in given:
        name = given["checksum"].value
        if isinstance(name, str) and name in named:
            item.only(("checksum",))
            known = named[name]
            return [Listed(item, known.checksum, known.order)]
        item.only(("checksum", "over", "order"))
        bits, function = sum_of(given["checksum"])
        return [listed(Checksum(bits, function, _over(given)))]
    return [listed(number) for number in _numbers(item)]


def _order(node: Node | None) -> ByteOrder | None:
    if node is None:
        return None
    return "little" if node.one_of(("little", "big")) == "little" else "big"


def _flags(node: Node) -> Flags:
    masks = []
    resting = 0
    for place, entry in enumerate(node.items()):
        name = entry.text()
        if name.startswith("not_"):
            resting |= 1 << place
        if name != "-":
            masks.append((name.removeprefix("not_"), 1 << place))
    if not 1 <= len(node.items()) <= WIDEST:
        raise node.error(f"between 1 and {WIDEST} bits are listed here")
    return Flags(len(node.items()), tuple(masks), resting)


def _numbers(item: Node) -> list[Number]:
    name = next(iter(item.mapping()), "")
    if not name:
        raise item.error("{name: signed 32}, {constant: 0x11}, {bits: [...]} or {ignored: 8} is expected here")
    given = item.only((name, "from", "to", "step", "special", "order"))
    node = given[name]
    words = node.text().split()
    if words[:1] == ["shortest"] and words[1:2] in (["signed"], ["unsigned"]):
        widths = [_width(node, word) for word in words[2:]] or [8 * size for size in range(1, LONGEST + 1)]
        if any(bits % 8 for bits in widths) or sorted(set(widths)) != widths:
            raise node.error("the widths of a shortest form are whole bytes, from the narrowest to the widest")
        return [_number(item, name, notation_of(node, words[1], bits, given.get("step"))) for bits in widths]
    if len(words) != 2:
        raise node.error(f"{node.text()!r} is no kind and width, as in `signed 24`")
    return [_number(item, name, notation_of(node, words[0], _width(node, words[1]), given.get("step")))]


def _width(node: Node, word: str) -> int:
    if not word.isdecimal() or len(word) > 3 or not 1 <= int(word) <= WIDEST:
        raise node.error(f"{word!r} is no width from 1 to {WIDEST} bits")
    return int(word)


def _number(item: Node, name: str, notation: Notation) -> Number:
    given = item.mapping()
    low = given["from"].integer(-(1 << 63), 1 << 64) if "from" in given else notation.low
    high = given["to"].integer(-(1 << 63), 1 << 64) if "to" in given else notation.high
    special = given["special"].mapping() if "special" in given else {}
    words = {Node(text.place, code).integer(-(1 << 63), 1 << 64): text.text() for code, text in special.items()}
    low, high = max(low, notation.low), min(high, notation.high)
    return Number(name, notation.bits, notation, low, high, words)
