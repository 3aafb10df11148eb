"""What a name of a group stands for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

ALL = "all"

#: Words that an axis, a pair, a position or a parameter cannot be called: they mean something where names stand.
RESERVED = (ALL, "to", "by", "until", "between")


def axes_behind(
    names: str | Iterable[str], axes: Iterable[str], gathered: Mapping[str, Iterable[str]]
) -> tuple[str, ...]:
    """
    The axes behind an axis, a pair, a named group or `all`, or behind several of them; each once, in the order of
    `axes`. `gathered` are the axes of each pair and of each named group.
    """
    wanted: set[str] = set()
    every = [str(axis) for axis in axes]
    for name in (names,) if isinstance(names, str) else names:
        if name == ALL:
            wanted.update(every)
        elif name in gathered:
            wanted.update(gathered[name])
        else:
            wanted.add(name)
    return tuple(axis for axis in every if axis in wanted)


def gathered_axes(
    pairs: Mapping[str, Iterable[str]], groups: Mapping[str, Iterable[str]]
) -> dict[str, tuple[str, ...]]:
    """The axes of each pair and of each named group; a named group may name pairs."""
    found = {str(name): tuple(axes) for name, axes in pairs.items()}
    for name, members in groups.items():
        found[str(name)] = tuple(axis for member in members for axis in found.get(member, (member,)))
    return found
