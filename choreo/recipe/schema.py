"""
JSON Schema (draft 2020-12) of the two files, for editors that complete and check YAML.

Made of the models, so that it cannot fall behind them; what the models read in a way of their own (moves, repeats, what
a recipe lays over its machine file) is put in here. An editor sees shapes, words and units. References, ranges of
parameters and everything between two files are `choreo check`'s.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, models_json_schema

from choreo.recipe.flow_steps import ForEachStep, Sequence
from choreo.recipe.inputs import Input, Interlocks, Output, Requires
from choreo.recipe.model import (
    Axis,
    Bus,
    Homing,
    HomingOrder,
    Limits,
    NamedGroup,
    NamedPosition,
    Pair,
    Parameter,
    Unhomed,
)
from choreo.recipe.scalars import IDENTIFIER
from choreo.recipe.sections import MACHINE_KEYS, RECIPE_KEYS
from choreo.recipe.steps import VERBS
from choreo.recipe.version import VERSION

Schema = dict[str, Any]

DIALECT = "https://json-schema.org/draft/2020-12/schema"

_NAME_PATTERN = f"^{IDENTIFIER}$"
#: What stands under the names of each section.
_ENTRIES: dict[str, type[BaseModel]] = {
    "axes": Axis,
    "pairs": Pair,
    "limits": Limits,
    "unhomed": Unhomed,
    "homing": Homing,
    "inputs": Input,
    "outputs": Output,
    "parameters": Parameter,
}
#: Parts of which a recipe may give single keys, the rest being its machine file's.
_LAID_OVER = ("Bus", "Pair", "Skew", "Homing", "Input", "Output")


class _Plain(GenerateJsonSchema):
    """Without the titles that repeat every key."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


def machine_schema() -> Schema:
    """The schema of a machine file."""
    return _file(_definitions(), MACHINE_KEYS, ["choreo", "name", "bus", "axes"], "A machine file of choreo")


def recipe_schema() -> Schema:
    """The schema of a recipe."""
    definitions = _definitions()
    for name in _LAID_OVER:
        definitions[name].pop("required", None)
    schema = _file(definitions, RECIPE_KEYS, ["choreo", "title", "steps"], "A recipe of choreo")
    schema["anyOf"] = [{"required": ["machine"]}, {"required": ["bus", "axes"]}]
    return schema


def _file(definitions: Schema, keys: tuple[str, ...], required: list[str], title: str) -> Schema:
    sections = _sections()
    return {
        "$schema": DIALECT,
        "title": title,
        "type": "object",
        "properties": {key: sections[key] for key in keys},
        "required": required,
        "additionalProperties": False,
        "$defs": definitions,
    }


def _sections() -> Schema:
    word = {"type": ["string", "number"]}
    steps = {"type": "array", "items": _reference("Step"), "minItems": 1}
    sections: Schema = {
        "choreo": {"const": VERSION, "description": "The version of the language."},
        "title": word,
        "name": word,
        "machine": {"type": "string", "description": "The machine file, in the folder of the recipe or below."},
        "simulated": {"type": "string", "description": "The simulated machine that a dry-run moves."},
        "bus": _reference("Bus"),
        "homing_order": _reference("HomingOrder"),
        "interlocks": _reference("Interlocks"),
        "requires": _reference("Requires"),
        "groups": _by_name(_reference("NamedGroup")),
        "positions": _by_name(_reference("NamedPosition")),
        "steps": steps,
        "sequences": _by_name(_reference("Sequence")),
        "closing": steps,
    }
    return sections | {key: _by_name(_reference(part.__name__)) for key, part in _ENTRIES.items()}


def _by_name(inner: Schema) -> Schema:
    return {"type": "object", "propertyNames": {"pattern": _NAME_PATTERN}, "additionalProperties": inner}


def _reference(name: str) -> Schema:
    return {"$ref": f"#/$defs/{name}"}


def _definitions() -> Schema:
    sections = (Bus, HomingOrder, Interlocks, Requires, NamedGroup, NamedPosition, Sequence)
    parts: list[type[BaseModel]] = [*_ENTRIES.values(), *sections, *VERBS.values()]
    _, made = models_json_schema([(part, "validation") for part in parts], schema_generator=_Plain)
    definitions: Schema = {name: _without_null(part) for name, part in made["$defs"].items()}
    # Parts with one field, which is not written.
    for name in ("HomingOrder", "Interlocks", "NamedGroup", "NamedPosition"):
        (definitions[name],) = definitions[name]["properties"].values()
    definitions["Targets"] = _targets(definitions["Targets"])
    if "UntilMove" in definitions:
        definitions["UntilMove"] = _until_move(definitions["UntilMove"])
    nesting: list[type[BaseModel]] = [*VERBS.values(), Sequence]
    for step in nesting:
        if "steps" in step.model_fields:
            definitions[step.__name__]["properties"]["steps"] = _sections()["steps"]
            definitions[step.__name__]["required"] = [*_verb(step), "steps"]
    definitions[ForEachStep.__name__]["properties"]["for_each"] |= {"minProperties": 1, "maxProperties": 1}
    definitions["Step"] = {"oneOf": [_reference(step.__name__) for step in VERBS.values()]}
    axis = definitions["Axis"]
    others = [key for key in axis["required"] if key != "node"]
    axis["required"] = ["node"]
    axis["anyOf"] = [{"required": ["like"]}, {"required": others}]
    return definitions


def _verb(step: type[BaseModel]) -> list[str]:
    return [verb for verb, known in VERBS.items() if known is step]


def _without_null(schema: Any) -> Any:
    """A key that may be left out may not be left empty: `null` is no value of the language."""
    if isinstance(schema, list):
        return [_without_null(inner) for inner in schema]
    if not isinstance(schema, dict):
        return schema
    kept = {key: _without_null(inner) for key, inner in schema.items() if (key, inner) != ("default", None)}
    alternatives = [inner for inner in kept.get("anyOf", []) if inner != {"type": "null"}]
    if len(alternatives) == 1 and len(kept["anyOf"]) == 2:
        del kept["anyOf"]
        return alternatives[0] | kept
    return kept


def _targets(made: Schema) -> Schema:
    """`to` is the name of a position; every other key is a group."""
    return {
        "type": "object",
        "description": made["description"],
        "properties": {"to": {"type": "string", "pattern": _NAME_PATTERN}},
        "propertyNames": {"pattern": _NAME_PATTERN},
        "additionalProperties": _reference("Target"),
        "minProperties": 1,
    }


def _until_move(made: Schema) -> Schema:
    """`until` and `between` are its own; every other key is an axis or a pair."""
    own = {key: value for key, value in made["properties"].items() if key != "by_group"}
    return {
        "type": "object",
        "description": made["description"],
        "properties": own,
        "required": ["until"],
        "propertyNames": {"pattern": _NAME_PATTERN},
        "additionalProperties": _reference("Target"),
    }
