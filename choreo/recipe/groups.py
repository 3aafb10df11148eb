"""What a name of a group stands for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

ALL = "all"

#: Words that an axis, a pair, a position or a parameter cannot be called: they mean something where names stand.
RESERVED = (ALL, "to", "by")


def axes_behind(names: str | Iterable[str], axes: Iterable[str], pairs: Mapping[str, Iterable[str]]) -> tuple[str, ...]:
    """The axes behind an axis, a pair or `all`, or behind several of them; each once, in the order of `axes`."""
    wanted: set[str] = set()
    every = [str(axis) for axis in axes]
    for name in (names,) if isinstance(names, str) else names:
        if name == ALL:
            wanted.update(every)
        elif name in pairs:
            wanted.update(pairs[name])
        else:
            wanted.add(name)
    return tuple(axis for axis in every if axis in wanted)
