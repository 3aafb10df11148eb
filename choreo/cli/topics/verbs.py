"""The verbs of a recipe's steps, from the schema that is made of the classes that read them."""

from collections.abc import Iterable, Iterator
from typing import Any

from choreo.cli.topics.topic import Topic, first_sentence, prose, shaped
from choreo.recipe.schema import recipe_schema
from choreo.recipe.steps import VERBS, Step
from choreo.report.table import Column, table

KIND = "verb"
_COLUMNS = (Column("key", right=False), Column("needed", right=False), Column("is", right=False, shrinks=20))

_Schema = dict[str, Any]


def topics() -> Iterator[Topic]:
    """One a verb."""
    for name, step in VERBS.items():
        says = first_sentence(step.__doc__)
        yield Topic(KIND, name, says, lambda width, name=name, step=step: _lines(name, step, width))  # type: ignore[misc]


def _lines(verb: str, step: type[Step], width: int) -> Iterable[str]:
    yield from shaped(step.__doc__, width)
    parts: _Schema = recipe_schema()["$defs"]
    own = parts[step.__name__]
    yield ""
    yield from prose(f"Beside `{verb}` may stand:", width)
    yield from table(_COLUMNS, list(_keys(own, parts, leave_out=verb)), width)
    for heading, part in _inside(f"`{verb}`", own["properties"][verb], parts):
        yield ""
        yield from prose(heading, width)
        if part.get("properties"):
            yield from table(_COLUMNS, list(_keys(part, parts)), width)


def _inside(name: str, value: _Schema, parts: _Schema) -> Iterator[tuple[str, _Schema]]:
    """The mappings that a value is made of, each with a sentence about it; none where it is something simpler."""
    if "$ref" in value:
        value = parts[value["$ref"].rsplit("/", 1)[1]]
    if value.get("properties"):
        yield f"Inside {name}: {value.get('description', '')}", value
    for by_group in (*value.get("patternProperties", {}).values(), value.get("additionalProperties")):
        if isinstance(by_group, dict):
            yield from _inside(f"each group of {name}", by_group, parts)


def _keys(schema: _Schema, parts: _Schema, leave_out: str = "") -> Iterator[tuple[str, str, str]]:
    required = schema.get("required", ())
    for key, value in schema["properties"].items():
        if key != leave_out:
            yield key, "yes" if key in required else "", _words(value, parts)


def _words(value: _Schema, parts: _Schema) -> str:
    """What a key takes, in words."""
    if "description" in value:
        return str(value["description"])
    if "$ref" in value:
        return str(parts[value["$ref"].rsplit("/", 1)[1]].get("description", ""))
    if "const" in value:
        return f"`{value['const']}`"
    if "enum" in value:
        return " or ".join(f"`{word}`" for word in value["enum"])
    if "anyOf" in value:
        return " or ".join(dict.fromkeys(_words(kind, parts) for kind in value["anyOf"]))
    kinds = {"array": "a list", "integer": "a whole number"}
    return kinds.get(str(value.get("type")), "a name" if "pattern" in value else "a text")
