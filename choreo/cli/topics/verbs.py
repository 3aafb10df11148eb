"""The verbs of a recipe's steps, from the classes that read them."""

from collections.abc import Iterable, Iterator
from typing import Any

from choreo.cli.topics.topic import Topic, first_sentence, prose, shaped
from choreo.recipe.steps import VERBS, Step
from choreo.report.table import Column, table

KIND = "verb"
_COLUMNS = (Column("key", right=False), Column("", right=False), Column("is", right=False, shrinks=20))


def topics() -> Iterator[Topic]:
    """One a verb."""
    for name, step in VERBS.items():
        says = first_sentence(step.__doc__)
        yield Topic(KIND, name, says, lambda width, name=name, step=step: _lines(name, step, width))  # type: ignore[misc]


def _lines(verb: str, step: type[Step], width: int) -> Iterable[str]:
    yield from shaped(step.__doc__, width)
    schema = step.model_json_schema()
    parts = schema.get("$defs", {})
    yield ""
    yield from prose(f"Beside `{verb}` may stand:", width)
    yield from table(_COLUMNS, list(_keys(schema, parts, leave_out=verb)), width)
    inner = _inner(schema["properties"][verb], parts)
    if inner is not None and "properties" in inner:
        yield ""
        yield from prose(f"Inside `{verb}`: {inner.get('description', '')}", width)
        yield from table(_COLUMNS, list(_keys(inner, parts)), width)


def _inner(value: dict[str, Any], parts: dict[str, Any]) -> dict[str, Any] | None:
    """The mapping that is the verb's value; None where it is something simpler. By group: that of one group."""
    if "$ref" in value:
        found: dict[str, Any] = parts[value["$ref"].rsplit("/", 1)[1]]
        return found
    for by_name in (*value.get("patternProperties", {}).values(), value.get("additionalProperties")):
        if isinstance(by_name, dict):
            return _inner(by_name, parts)
    return None


def _keys(schema: dict[str, Any], parts: dict[str, Any], leave_out: str = "") -> Iterator[tuple[str, str, str]]:
    required = schema.get("required", ())
    for key, value in schema["properties"].items():
        if key != leave_out:
            yield key, "needed" if key in required else "", _words(value, parts)


def _words(value: dict[str, Any], parts: dict[str, Any]) -> str:
    """What a key takes, in words."""
    if "description" in value:
        return str(value["description"])
    if "$ref" in value:
        return str(parts[value["$ref"].rsplit("/", 1)[1]].get("description", ""))
    if "const" in value:
        return f"`{value['const']}`"
    if "anyOf" in value:
        kinds = [_words(kind, parts) for kind in value["anyOf"] if kind.get("type") != "null"]
        return " or ".join(dict.fromkeys(word for word in kinds if word))
    if value.get("type") == "array":
        return "a list"
    if value.get("type") == "integer":
        return "a whole number"
    return "a text" if "pattern" not in value else "a name"
