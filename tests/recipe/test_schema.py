"""The JSON Schema for editors: made of the models, and never stricter than the language."""

import json
import re
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from choreo.recipe.schema import DIALECT, machine_schema, recipe_schema
from choreo.recipe.sections import MACHINE_KEYS, RECIPE_KEYS
from choreo.recipe.steps import VERBS

KILN = Path(__file__).parents[2] / "recipes" / "kiln_gantry"


def parts(schema):
    """Every mapping inside a schema."""
    if isinstance(schema, dict):
        yield schema
        for value in schema.values():
            yield from parts(value)
    elif isinstance(schema, list):
        for value in schema:
            yield from parts(value)


@pytest.mark.parametrize("schema", [recipe_schema(), machine_schema()], ids=["recipe", "machine"])
def test_a_schema_is_json_and_hangs_together(schema):
    assert json.loads(json.dumps(schema)) == schema
    assert schema["$schema"] == DIALECT
    for part in parts(schema):
        if "$ref" in part:
            assert part["$ref"].removeprefix("#/$defs/") in schema["$defs"]
        if isinstance(part.get("pattern"), str):
            re.compile(part["pattern"])


def test_every_key_and_every_verb_is_in_it():
    recipe, machine = recipe_schema(), machine_schema()
    assert tuple(recipe["properties"]) == RECIPE_KEYS
    assert tuple(machine["properties"]) == MACHINE_KEYS
    alternatives = [part["$ref"].split("/")[-1] for part in recipe["$defs"]["Step"]["oneOf"]]
    assert alternatives == [step.__name__ for step in VERBS.values()]
    for verb, step in VERBS.items():
        made = recipe["$defs"][step.__name__]
        assert verb in made["required"]
        assert made["additionalProperties"] is False
        assert {"label", "timeout", "note"} <= set(made["properties"])


def test_no_key_may_be_left_empty():
    assert not [part for part in parts(recipe_schema()) if part.get("type") == "null"]


@pytest.mark.parametrize(
    ("text", "fits"),
    [
        ("250 ms", True),
        ("0.25s", True),
        ("1/4 s", True),
        ("2.5e2 ms", True),
        ("$pause", True),
        ("-$pause", True),
        ("250 µs", True),
        ("250", False),
        ("250 mm", False),
        ("$5", False),
    ],
)
def test_a_time_is_told_from_what_is_none(text, fits):
    pattern = recipe_schema()["$defs"]["DwellStep"]["properties"]["dwell"]["pattern"]
    assert (re.search(pattern, text) is not None) == fits


@pytest.mark.parametrize("text", ["8000 mm/s^3", "8000 mm/s³", "1 deg/s^3", "2 rev/min^3", "3 µm/ms^3"])
def test_units_in_every_spelling_are_taken(text):
    pattern = machine_schema()["$defs"]["Limits"]["properties"]["jerk"]["pattern"]
    assert re.search(pattern, text)


@pytest.mark.parametrize("path", sorted(KILN.glob("*.yaml")), ids=lambda path: path.stem)
def test_the_shipped_files_fit_their_schema(path):
    """Judged by a general-purpose validator (jsonschema), over what a general-purpose library (ruamel.yaml) reads."""
    import jsonschema

    schema = machine_schema() if path.stem == "machine" else recipe_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    document = YAML(typ="safe").load(path.read_text(encoding="utf-8"))
    assert [error.message for error in jsonschema.Draft202012Validator(schema).iter_errors(document)] == []
    document["stepz"] = 5
    assert list(jsonschema.Draft202012Validator(schema).iter_errors(document))
