"""Checksums, as a dialect file writes them: defined once by a name, or spelled out in a payload."""

from collections.abc import Mapping
from typing import cast

from choreo.diagnostic import Mark, Span
from choreo.text.tree import Tree
from choreo.wire.described.frames.checksums import Crc, Method, Sum, Xor
from choreo.wire.described.frames.fields import ByteOrder, Checksum
from choreo.wire.described.reading.reader import Entry, Reader, value_of

_SPELLED: Mapping[str, Method] = {"sum 8": Sum(8), "sum 16": Sum(16), "xor 8": Xor()}
_CRC = ("crc", "polynomial", "initial", "reflected", "final")
_KINDS = ("sum", "xor", "crc")
#: Said once of a checksum with a name; said beside one that is spelled out.
_BESIDE = ("over", "order")


class Checksums:
    """
    `checksums:` of a file: what each name stands for, None where it could not be read, and where it is defined. The
    names that no payload has used yet are kept as well.
    """

    def __init__(self, found: Mapping[str, Checksum | None], places: Mapping[str, Span]) -> None:
        self.found = found
        self.places = places
        self._unused = list(found)

    def named(self, name: str) -> Checksum | None:
        """What a name of `found` stands for. It is used from now on."""
        if name in self._unused:
            self._unused.remove(name)
        return self.found[name]

    def marks(self, checksum: Checksum) -> list[Mark]:
        """Where a checksum of a payload is defined; nothing for one that is spelled out."""
        return [Mark(self.places[checksum.name], f"checksum {checksum.name}")] if checksum.name else []

    def check_used(self, reader: Reader) -> None:
        """Each name is used by some payload. Looked at when all payloads could be read."""
        for name in self._unused:
            help = f"Write {{checksum: {name}}} in the payloads that end with it, or take it out."
            reader.error("checksum", f"checksum {name} is defined, and no payload has it", self.places[name], help)


def read_checksums(reader: Reader, tree: Tree | None) -> Checksums:
    """`checksums:`; a file need not have it."""
    found: dict[str, Checksum | None] = {}
    places: dict[str, Span] = {}
    for name, entry in (reader.open_mapping(tree, "checksums") or {}).items():
        if reader.name(entry.key, "checksum") is not None:
            found[name], places[name] = _read_definition(reader, name, entry.value), entry.key.span
    return Checksums(found, places)


def _read_definition(reader: Reader, name: str, tree: Tree) -> Checksum | None:
    called = f"checksum {name}"
    given = reader.open_mapping(tree, called)
    if given is None:
        return None
    kinds = [kind for kind in _KINDS if kind in given]
    if len(kinds) != 1:
        if not reader.unknown_keys(given, called, (*_KINDS, *_CRC, *_BESIDE)):
            headline = f"{called} says in {len(kinds)} ways how it is computed, and must say it in one"
            help = "Write {sum: 8}, {xor: 8} or {crc: 8, polynomial: 0x1D, ...} with all five parameters."
            reader.error("checksum", headline, tree.span, help)
        return None
    entries = reader.mapping(tree, called, _CRC if kinds == ["crc"] else kinds, _BESIDE)
    method = _read_crc(reader, entries, called) if kinds == ["crc"] else _read_plain(reader, given, kinds[0], called)
    return _with_beside(reader, method, given, called, name)


def read_checksum(reader: Reader, entries: Mapping[str, Entry], what: str, checksums: Checksums) -> Checksum | None:
    """The checksum of a payload: its own, or that of a name."""
    called, tree = f"the checksum of {what}", entries["checksum"].value
    if isinstance(tree, str) and tree in checksums.found:
        return _use(reader, entries, called, checksums, str(tree))
    if isinstance(tree, str):
        word = reader.choice(tree, called, (*checksums.found, *_SPELLED))
        method = None if word is None else _SPELLED[word]
    else:
        method = _read_crc(reader, reader.mapping(tree, called, needs=_CRC), called)
    return _with_beside(reader, method, entries, called)


def _use(reader: Reader, entries: Mapping[str, Entry], called: str, checksums: Checksums, name: str) -> Checksum | None:
    checksum = checksums.named(name)
    beside = [word for word in _BESIDE if word in entries]
    for word in beside:
        headline = f"{called} is `{name}`, and has `{word}` beside it"
        help = f"Say it once, where {name} is defined; what has another `{word}` is a checksum with another name."
        first = Mark(checksums.places[name], f"checksum {name}")
        reader.error("checksum", headline, entries[word].key.span, help, first)
    return None if beside else checksum


def _with_beside(
    reader: Reader, method: Method | None, entries: Mapping[str, Entry], called: str, name: str = ""
) -> Checksum | None:
    """The checksum, with what it covers and its byte order."""
    over: list[str] | None = ["payload"]
    if "over" in entries:
        over = _read_over(reader, entries["over"].value, called)
    order = reader.choice(value_of(entries, "order"), f"the order of {called}", ("little", "big"))
    if method is None or over is None:
        return None
    return Checksum(method, tuple(over), cast(ByteOrder | None, order), name)


def _read_over(reader: Reader, tree: Tree, called: str) -> list[str] | None:
    items = reader.items(tree, f"what {called} covers")
    if items is None:
        return None
    words = [reader.name(item, f"an entry of `over` of {called}") for item in items]
    found = [word for word in words if word is not None]
    if not items:
        help = "Write [payload], or what the drive's manual says: identifier, node, payload or names of fields."
        reader.error("checksum", f"{called} covers nothing", tree.span, help)
    return found if found and len(found) == len(words) else None


def _read_plain(reader: Reader, entries: Mapping[str, Entry], kind: str, called: str) -> Method | None:
    """A sum or an exclusive or."""
    widths = [word.removeprefix(f"{kind} ") for word in _SPELLED if word.startswith(f"{kind} ")]
    word = reader.choice(entries[kind].value, f"the bits of {called}", widths)
    return None if word is None else _SPELLED[f"{kind} {word}"]


def _read_crc(reader: Reader, entries: Mapping[str, Entry] | None, called: str) -> Method | None:
    word = reader.choice(value_of(entries, "crc"), f"the bits of {called}", ("8", "16", "24", "32"))
    bits = int(word or 32)
    most = (1 << bits) - 1
    polynomial = reader.integer(value_of(entries, "polynomial"), f"the polynomial of {called}", 1, most)
    initial = reader.integer(value_of(entries, "initial"), f"the initial value of {called}", 0, most)
    final = reader.integer(value_of(entries, "final"), f"the final value of {called}", 0, most)
    reflected = reader.choice(value_of(entries, "reflected"), f"reflected of {called}", ("true", "false"))
    if word is None or polynomial is None or initial is None or final is None or reflected is None:
        return None
    return Crc(bits, polynomial, initial, reflected == "true", final)
