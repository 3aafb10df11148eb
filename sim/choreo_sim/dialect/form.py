"""
The payload of one message, of one length or of several that are told apart by it: what a drive packs and unpacks.

The usual kind, constants of one byte and then ordinary fields, goes through `struct`: positions are asked for so often
that it matters.
"""

import struct
from collections.abc import Mapping, Sequence
from contextlib import suppress
from itertools import product
from types import MappingProxyType

from choreo_sim.dialect.checksums import Address
from choreo_sim.dialect.layout import Layout, Values, Verdict
from choreo_sim.dialect.numbers import Plain, TwosComplement
from choreo_sim.dialect.parts import LONGEST, Defined, Number, Rolling, choices_of
from choreo_sim.dialect.places import ByteOrder
from choreo_sim.yaml_tree import Node

_CODES = {8: "B", 16: "H", 32: "I", 64: "Q"}


class Form:
    """
    A payload: `layouts` in the order in which a sender tries them, all of other lengths.

    `slots` are the number fields of the first, in the order of the file; `names` all values of all layouts.
    """

    __slots__ = ("_fast", "_names", "layouts", "names", "prefix", "rolling", "slots")

    def __init__(
        self,
        items: Node,
        order: ByteOrder,
        more: Sequence[Node] = (),
        checksums: Mapping[str, Defined] = MappingProxyType({}),
    ) -> None:
        self.layouts: list[Layout] = []
        for alternative in (items, *more):
            self._add(alternative, order, checksums)
        if len({layout.length for layout in self.layouts}) < len(self.layouts):
            raise items.error("two of these payloads have the same length")
        first = self.layouts[0]
        self.names = tuple(dict.fromkeys(name for layout in self.layouts for name in layout.names))
        self.prefix = first.prefix
        self.rolling: Rolling | None = next((found.rolling for found in self.layouts if found.rolling), None)
        self.slots: tuple[Number, ...]
        self.slots, plain = first.plain
        self._names = tuple(slot.name for slot in self.slots)
        self._fast = self._as_struct(order) if plain and len(self.layouts) == 1 else None

    def _add(self, alternative: Node, order: ByteOrder, checksums: Mapping[str, Defined]) -> None:
        """The layouts of one list of parts: several where a field is as short as its value allows."""
        choices = [choices_of(item, checksums) for item in alternative.items()]
        loose = sum(len(choice) > 1 for choice in choices)
        if loose > 1:
            raise alternative.error("at most one field of a payload may have the shortest form")
        for listed in product(*choices):
            bits = sum(entry.part.bits for entry in listed)
            if loose and bits > 8 * LONGEST and self.layouts:
                break  # a width that no frame has room for
            self.layouts.append(Layout(alternative, listed, order))

    @classmethod
    def of(cls, speech: Node, order: ByteOrder, checksums: Mapping[str, Defined]) -> "Form":
        """The form of an entry that has a `payload` or several `payloads`; `checksums` are those with a name."""
        given = speech.mapping()
        if "payloads" not in given:
            return cls(speech.need("payload"), order, checksums=checksums)
        if "payload" in given:
            raise given["payload"].error("`payload` and `payloads` exclude each other")
        alternatives = given["payloads"].items()
        if not alternatives:
            raise given["payloads"].error("at least one payload is needed here")
        return cls(alternatives[0], order, alternatives[1:], checksums)

    def _as_struct(self, order: ByteOrder) -> struct.Struct | None:
        codes = []
        for slot in self.slots:
            code = _CODES.get(slot.bits)
            if code is None or not isinstance(slot.notation, (Plain, TwosComplement)):
                return None
            codes.append(code.lower() if isinstance(slot.notation, TwosComplement) else code)
        return struct.Struct(("<" if order == "little" else ">") + "".join(codes))

    @property
    def selector(self) -> int:
        """The first constant: it says which request it is; 0 if there is none."""
        return self.layouts[0].selector

    @property
    def fast(self) -> bool:
        """Whether it is packed in one go: constants of a byte and ordinary fields behind them."""
        return self._fast is not None

    @property
    def fixed(self) -> bool:
        """Whether the same frame always has the same bytes."""
        return len(self.layouts) == 1 and self.layouts[0].fixed

    def range_of(self, name: str) -> tuple[int, int] | None:
        """The widest range of a field over all layouts; None if there is no such field."""
        ranges = [layout.ranges[name] for layout in self.layouts if name in layout.ranges]
        return (min(low for low, _ in ranges), max(high for _, high in ranges)) if ranges else None

    def pack(self, *values: int) -> bytes:
        """The payload that holds `values`, in the order of the number fields; they must be in range."""
        if self._fast is not None:
            return self.prefix + self._fast.pack(*values)
        return self.build(dict(zip(self._names, values, strict=True)))

    def build(self, values: Values, address: Address | None = None) -> bytes:
        """
        The payload for values by name: the first layout that has all of these fields and can hold the values, else the
        last that has them, with the nearest values. Names that no layout has do not matter.
        """
        if self._fast is not None:
            with suppress(struct.error):  # out of range
                return self.prefix + self._fast.pack(*[values.get(name, 0) for name in self._names])
        layouts = self.layouts
        if len(layouts) > 1:
            said = [name for name in self.names if name in values]
            layouts = [layout for layout in layouts if all(name in layout.ranges for name in said)] or layouts
        for layout in layouts[:-1]:
            if layout.holds(values):
                return layout.write(values, address)
        return layouts[-1].write(values, address)

    def read(self, data: bytes, address: Address | None = None) -> tuple[Verdict, Mapping[str, int]]:
        """What bytes are to this message, and their values by name where they fit."""
        if self._fast is not None:
            prefix = self.prefix
            if len(data) != len(prefix) + self._fast.size or not data.startswith(prefix):
                return Verdict.OTHER, {}
            return Verdict.FITS, dict(zip(self._names, self._fast.unpack_from(data, len(prefix)), strict=True))
        for layout in self.layouts:
            if layout.length == len(data):
                return layout.read(data, address)
        return Verdict.OTHER, {}

    def unpack(self, data: bytes, address: Address | None = None) -> dict[str, int] | None:
        """The values by name; None when the bytes do not fit."""
        verdict, values = self.read(data, address)
        return dict(values) if verdict is Verdict.FITS else None
