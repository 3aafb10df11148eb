"""The quickest way to one number of one payload. Made for polling, the hot path."""

from collections.abc import Callable
from typing import Literal

from choreo.wire.described.frames.forms import Form, Heading
from choreo.wire.described.frames.layout import Layout

Read = Callable[[bytes], int | None]


def number_reader(layout: Layout, field: str, heading: Heading | None = None) -> Read:
    """
    A function that gives the value of a field, or None for any other payload, and for a value that means something
    else. One comparison of the constants and one conversion where the payload allows it.
    """
    forms = list(layout.forms.values())
    if len(forms) == 1 and field not in layout.special:
        quick = _whole_bytes(forms[0], field) or _shifted(forms[0], field)
        if quick is not None:
            return quick
    return _careful(layout, field, heading)


def _whole_bytes(form: Form, field: str) -> Read | None:
    """A field of whole bytes, with all the constants in one piece in front of the data."""
    place = form.place(field)
    mask, wanted = form.constants
    if place is None or place.mask.bit_length() % 8 or place.shift % 8 or place.offset != place.flip:
        return None
    size, order = form.size, form.order
    its_order: Literal["little", "big"] = order
    if place.foreign:
        its_order = "big" if order == "little" else "little"
    length = place.mask.bit_length() // 8
    start = place.shift // 8 if its_order == "little" else size - place.shift // 8 - length
    end, signed = start + length, place.flip != 0
    prefix_mask = mask.to_bytes(size, order)
    front = len(prefix_mask.rstrip(b"\0"))
    if prefix_mask != b"\xff" * front + bytes(size - front):
        return None
    prefix = wanted.to_bytes(size, order)[:front]
    convert = int.from_bytes

    def read(data: bytes) -> int | None:
        if len(data) != size or data[:front] != prefix:
            return None
        return convert(data[start:end], its_order, signed=signed)

    return read


def _shifted(form: Form, field: str) -> Read | None:
    """A field anywhere, in the form's byte order, of a kind that all bit patterns belong to."""
    place = form.place(field)
    if place is None or place.foreign:
        return None
    size, order, (mask, wanted) = form.size, form.order, form.constants
    _, shift, its_mask, flip, offset, *_ = place
    convert = int.from_bytes

    def read(data: bytes) -> int | None:
        if len(data) != size:
            return None
        number = convert(data, order)
        if number & mask != wanted:
            return None
        return (number >> shift & its_mask ^ flip) - offset

    return read


def _careful(layout: Layout, field: str, heading: Heading | None) -> Read:
    special = layout.special.get(field, {})

    def read(data: bytes) -> int | None:
        values = layout.decode(data, heading)
        value = None if values is None else values.get(field)
        return None if value in special else value

    return read
