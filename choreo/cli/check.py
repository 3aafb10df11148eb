"""`choreo check RECIPE`: everything that can be said of a recipe without a machine."""

import argparse
import sys
from typing import Any

from choreo.cli.arguments import add_recipe_arguments
from choreo.errors import Exit


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "check",
        help="check a recipe: every value, the path of every axis, the time and the bus it needs",
        description="Check a recipe. Findings go to standard output, each with the lines that it speaks of.",
    )
    add_recipe_arguments(parser)
    parser.add_argument("--format", choices=("text", "json"), default="text", help="json: a list of findings")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """0 when nothing but warnings was found, otherwise 2."""
    from choreo.api import check
    from choreo.diagnostic.render import full_text, json_text

    result = check(args.recipe, dict(args.set), pace=args.pace)
    if args.format == "json":
        print(json_text(result.findings))
    else:
        if result.findings:
            print(full_text(result.findings, result.lines))
        print(result.headline())
    sys.stdout.flush()
    return Exit.DONE if result.ok else Exit.REFUSED
