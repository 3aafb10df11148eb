"""`choreo schema`: the recipe language as JSON Schema, for editors."""

import argparse
from typing import Any

from choreo.errors import Exit


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "schema",
        help="print the JSON Schema of recipes and machine files, for editors",
        description="Print the JSON Schema of recipes and machine files. Editors use it to complete and to underline.",
    )
    parser.add_argument(
        "file",
        metavar="FILE",
        nargs="?",
        choices=("recipe", "machine"),
        default="recipe",
        help="recipe (if not given) or machine: of which file",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print it."""
    import json

    from choreo.recipe.schema import machine_schema, recipe_schema

    schema = machine_schema() if args.file == "machine" else recipe_schema()
    print(json.dumps(schema, indent=2, ensure_ascii=False))
    return Exit.DONE
