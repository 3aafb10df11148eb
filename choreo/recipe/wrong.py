"""
What pydantic found wrong with a part of the tree, as findings at its place.

pydantic knows no places: an error's `loc` is walked along the tree. Names of alternatives that it puts in, and the
names under which a reader sorts its input, are not in the tree and are skipped. A key that is missing has no place: the
key whose mapping lacks it is marked.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any, NamedTuple

from pydantic_core import ErrorDetails, ValidationError

from choreo.diagnostic import Finding, Mark, Span, did_you_mean, near_miss
from choreo.recipe.base import Part
from choreo.recipe.scalars import kind_of, shortened
from choreo.text.tree import Branch, Items, Text, Tree


class _Reached(NamedTuple):
    """As far as a `loc` could be walked: the part there, the key that names it, the name that is not there, if any."""

    value: Tree
    key: Text | None
    beyond: str


def findings_of(error: ValidationError, tree: Tree, key: Text | None, part: type[Part]) -> Iterator[Finding]:
    """All that is wrong with `tree`, which `key` names and which should have become a `part`."""
    absent: dict[int, tuple[_Reached, list[str]]] = {}
    meant: set[tuple[int, str]] = set()
    for detail in error.errors(include_url=False):
        reached = _walk(detail["loc"], tree, key)
        if detail["type"] == "missing" and not isinstance(reached.value, Items):
            absent.setdefault(id(reached.value), (reached, []))[1].append(reached.beyond)
            continue
        yield _finding(detail, reached, part)
        if detail["type"] == "extra_forbidden":
            owner = _walk(detail["loc"][:-1], tree, key)
            near = near_miss(str(detail["loc"][-1]), keys_of(_part_at(part, detail["loc"])))
            meant.add((id(owner.value), near or ""))
    for where, (reached, names) in absent.items():
        # A key that is missing because it is misspelt has been spoken of already.
        names = [name for name in names if (where, name) not in meant]
        if names:
            yield _missing(reached, names)


def _walk(loc: tuple[int | str, ...], tree: Tree, key: Text | None) -> _Reached:
    value, beyond = tree, ""
    for step in loc:
        if isinstance(value, Branch) and step in value:
            key = value.key(str(step))
            value, beyond = value[Text(step)], ""
        elif isinstance(value, Items) and isinstance(step, int) and step < len(value):
            value, beyond = value[step], ""
        else:
            beyond = str(step)
    return _Reached(value, key, beyond)


def _finding(detail: ErrorDetails, reached: _Reached, part: type[Part]) -> Finding:
    given = detail.get("input")
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "missing":
        headline = f"`{reached.key}` takes one more entry than the {len(reached.value)} here"
        return Finding("wrong-length", headline, Mark(reached.value.span))
    if kind == "extra_forbidden":
        return _unknown(reached, _part_at(part, detail["loc"]))
    name = f"`{reached.key}`" if reached.key is not None else "this"
    span = _span(given if isinstance(given, (Text, Items)) else reached.value, reached.key)
    if "headline" in context:
        return Finding(kind, joined(name, context["headline"]), Mark(span), help=context["help"])
    return _shape(kind, context, name, span, given)


def joined(name: str, headline: str) -> str:
    """`dwell` must be ..., or `dwell`: '250' has no unit ...: a headline that begins with its verb goes on at once."""
    begins = headline.split(" ", 1)[0]
    return f"{name} {headline}" if begins in ("must", "has", "names", "moves", "does") else f"{name}: {headline}"


def _shape(kind: str, context: dict[str, Any], name: str, span: Span, given: Any) -> Finding:
    """The shapes that pydantic itself checks: mapping, list of so many, one of a few words."""
    here = kind_of(given)
    if kind == "literal_error":
        words = [word.strip("'") for word in context["expected"].replace(" or ", ", ").split(", ")]
        headline = f"{name} must be {_listed(words, 'or')}, and {here} stands here"
        return Finding("unknown-word", headline, Mark(span), help=did_you_mean(str(given), words, "Write one of them."))
    if kind in ("model_type", "dict_type"):
        return Finding("wrong-type", f"{name} must be a mapping (`key: value`), and {here} stands here", Mark(span))
    if kind == "tuple_type":
        return Finding("wrong-type", f"{name} must be a list, and {here} stands here", Mark(span))
    if kind == "too_long":
        headline = f"{name} takes {context['max_length']} entries, and {context['actual_length']} stand here"
        return Finding("wrong-length", headline, Mark(span))
    raise AssertionError(f"an error of pydantic that has no words: {kind}")


def _listed(words: list[str], joint: str) -> str:
    ticked = [f"`{word}`" for word in words]
    return ticked[0] if len(ticked) == 1 else ", ".join(ticked[:-1]) + f" {joint} {ticked[-1]}"


def _missing(reached: _Reached, names: list[str]) -> Finding:
    span = reached.key.span if reached.key is not None else reached.value.span
    owner = f"`{reached.key}`" if reached.key is not None else "this"
    listed = _listed(names, "and")
    return Finding("missing-key", f"{owner} has no {listed}", Mark(span), help=f"Add {listed}.")


def _unknown(reached: _Reached, part: type[Part]) -> Finding:
    key = reached.key
    assert key is not None
    headline = f"`{shortened(key)}` is not known here"
    return Finding("unknown-key", headline, Mark(key.span), help=did_you_mean(key, keys_of(part)))


@cache
def keys_of(part: type[Part]) -> tuple[str, ...]:
    """The keys that a part may have, as they are written."""
    return tuple(field.alias or name for name, field in part.model_fields.items())


def _part_at(part: type[Part], loc: tuple[int | str, ...]) -> type[Part]:
    """The part in which the last key of `loc` stands, found along the fields' types."""
    for step in loc[:-1]:
        field = next((f for n, f in part.model_fields.items() if (f.alias or n) == step), None)
        found = _part_in(field.annotation) if field is not None else None
        part = found or part
    return part


def _part_in(annotation: Any) -> type[Part] | None:
    if isinstance(annotation, type) and issubclass(annotation, Part):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _part_in(inner)
        if found is not None:
            return found
    return None


def _span(value: Any, key: Text | None) -> Span:
    """The value's own place; of a value that is not there, its key's."""
    if isinstance(value, Text) and value.missing and key is not None:
        return key.span
    return value.span if isinstance(value, (Text, Branch, Items)) else key.span  # type: ignore[union-attr]
