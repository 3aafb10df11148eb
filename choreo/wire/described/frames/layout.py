"""
Payloads: parts laid out in bytes, put together and taken apart.

A `Layout` has one `Form` for each length that it can have: one alone, one for each width of a field in the shortest
form, one for each alternative of a reply with several lengths.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import product

from choreo.wire.described.frames.fields import ByteOrder, Number, Part, Shortest, Special
from choreo.wire.described.frames.forms import Form, Heading
from choreo.wire.described.frames.kinds import Span


class Layout:
    """
    A payload with every length that it can have.

    `parts` are those of the first alternative, `alternatives` all of them, told apart by their length; a part in the
    shortest form has several lengths by itself. `ranges` are the fields of all forms with the smallest and largest
    value that one of them holds, `special` the values that mean something else, `size` the largest length in bytes.
    Raises ValueError where a form is not of whole bytes or two forms have the same length.
    """

    __slots__ = ("_forms", "alternatives", "needs_heading", "order", "parts", "ranges", "selector", "size", "special")

    def __init__(self, parts: Sequence[Part], order: ByteOrder = "little", *others: Sequence[Part]) -> None:
        self.alternatives = (tuple(parts), *(tuple(other) for other in others))
        self.parts = self.alternatives[0]
        self.order = order
        self._forms: dict[int, Form] = {}
        for alternative in self.alternatives:
            for widths in combinations(alternative):
                form = Form(alternative, widths, order)
                if sum(widths) % 8 or form.size in self._forms:
                    raise ValueError(f"{sum(widths)} bits are no length that a payload of its own can have")
                self._forms[form.size] = form
        self.size = max(self._forms)
        self.ranges: Mapping[str, Span] = _hull(self.alternatives)
        self.special: Mapping[str, Special] = {
            part.name: part.special
            for alternative in self.alternatives
            for part in alternative
            if isinstance(part, Number | Shortest) and part.special
        }
        self.needs_heading = any(form.needs_heading for form in self._forms.values())
        #: The first constant: what an error reply names when it says which request it refuses.
        self.selector: int | None = next((part.constant for part in self.parts if part.constant is not None), None)

    @property
    def forms(self) -> Mapping[int, Form]:
        """Its forms by their length in bytes."""
        return self._forms

    def encode(self, values: Mapping[str, int], heading: Heading | None = None) -> bytes:
        """
        The payload, of the first form that has these fields and holds the values. Raises ValueError naming the field,
        the value and what is allowed. A checksum over identifier or node needs the heading.
        """
        for form in self._forms.values():
            data = form.encode(values, heading)
            if data is not None:
                return data
        raise ValueError(self._wrong(values))

    def _wrong(self, values: Mapping[str, int]) -> str:
        names = set(values)
        forms = list(self._forms.values())
        if not any(names == set(form.names) for form in forms):
            for name in self.ranges:
                if name not in names and all(name in form.names for form in forms):
                    low, high = self.ranges[name]
                    return f"{name} is missing: it must be {low} to {high}"
            for name in values:
                if name not in self.ranges:
                    return f"{name} is none of its fields: {', '.join(self.ranges) or 'it has none'}"
            return f"no form of it has just the fields {', '.join(values)}"
        for name, (low, high) in self.ranges.items():
            value = values.get(name)
            if name in values and (not isinstance(value, int) or not low <= value <= high):
                return f"{name} {value!r} is outside {low} to {high}"
        if self.needs_heading:
            return "its checksum covers the identifier or the node, which are not given"
        return f"no form of it holds {', '.join(f'{name} {value}' for name, value in values.items())}"

    def fits(self, data: bytes, heading: Heading | None = None) -> bool:
        """
        Whether `data` has one of the lengths, every constant, lawful fields and a right checksum. A checksum over
        identifier or node is never right without the heading.
        """
        form = self._forms.get(len(data))
        return form is not None and form.decode(data, heading) is not None

    def decode(self, data: bytes, heading: Heading | None = None) -> dict[str, int] | None:
        """The values of a payload; None for one that does not fit. Never raises."""
        form = self._forms.get(len(data))
        return None if form is None else form.decode(data, heading)

    def could_be(self, other: "Layout") -> int | None:
        """
        A length in bytes at which some payload may fit both; None when none fits both. It never misses one; it may see
        one where only a checksum, or the way in which two fields overlap, would tell the two apart.
        """
        for size, form in self._forms.items():
            its = other._forms.get(size)
            if its is not None and form.pattern.could_be(its.pattern):
                return size
        return None


def combinations(parts: Sequence[Part]) -> Iterator[tuple[int, ...]]:
    """The widths of the parts, in bits, for each length that they can have together, rising."""
    return product(*(part.widths for part in parts))


def _hull(alternatives: Sequence[Sequence[Part]]) -> Mapping[str, Span]:
    found: dict[str, Span] = {}
    for alternative in alternatives:
        for part in alternative:
            for name, (low, high) in part.ranges.items():
                known = found.get(name, (low, high))
                found[name] = min(low, known[0]), max(high, known[1])
    return found
