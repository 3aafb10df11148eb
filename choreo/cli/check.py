"""`choreo check FILE`: everything that can be said of a recipe, a dialect or a dialect test without a machine."""

import argparse
import sys
from typing import TYPE_CHECKING, Any

from choreo.cli.arguments import add_recipe_arguments
from choreo.errors import Exit, RecipeError

if TYPE_CHECKING:
    from choreo.api import CheckResult
    from choreo.wire.described.asking.alone import Checked


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "check",
        help="check a recipe: every value, the path of every axis, the time and the bus it needs; or a dialect",
        description="Check a recipe, a dialect file or a dialect test file: it is told by its first key (choreo, "
        "choreo_dialect, choreo_dialect_test). Findings go to standard output, each with the lines that it speaks of.",
    )
    add_recipe_arguments(parser, "the recipe file; or a dialect file, or a dialect test file")
    parser.add_argument("--format", choices=("text", "json"), default="text", help="json: a list of findings")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """0 when nothing but warnings was found, otherwise 2."""
    from choreo.api import check
    from choreo.diagnostic.render import full_text, json_text
    from choreo.wire.described.asking.alone import check_alone, is_alone

    result: CheckResult | Checked
    if is_alone(args.recipe):
        if args.set:
            what = f"--set {args.set[0][0][:60]} does not go with a dialect, which has no parameters"
            raise RecipeError(what, rule="usage", help=f"choreo check {args.recipe}")
        result = check_alone(args.recipe)
    else:
        result = check(args.recipe, dict(args.set), pace=args.pace)
    if args.format == "json":
        print(json_text(result.findings))
    else:
        if result.findings:
            print(full_text(result.findings, result.lines))
        print(result.headline())
    sys.stdout.flush()
    return Exit.DONE if result.ok else Exit.REFUSED
