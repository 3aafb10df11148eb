"""`choreo retreat RECIPE NAME --after RUN`: what to do after a stopped run, from where it left the axes."""

import argparse
from typing import TYPE_CHECKING, Any

from choreo.cli.arguments import add_answer, add_bus, add_recipe_arguments, path
from choreo.cli.run import add_how, carry_out

if TYPE_CHECKING:
    from pathlib import Path

    from choreo.plan.model import Plan


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "retreat",
        help="after a stopped run: check and run a sequence for the time after a stop, from where the axes were left",
        description=(
            "Carry out a sequence of a recipe that has `after_stop: true`, from where a stopped run left the axes: on "
            "the simulated bus or, with --bus, on the real one after a rehearsal, as `choreo run` does. Nothing of it "
            "ever happens by itself, nothing is reset unless the sequence says so. "
            "Refused: a run that was not stopped, an axis that was not proven to stand, a drive that may hold a move, "
            "a recipe or machine that has been changed since."
        ),
    )
    add_recipe_arguments(parser)
    parser.add_argument("name", metavar="NAME", help="the sequence, from the recipe's `sequences`")
    parser.add_argument("--after", metavar="RUN", type=path, required=True, help="the folder of the stopped run")
    parser.add_argument("--faults", metavar="FILE", type=path, help="faults that the simulated bus and machine have")
    add_answer(parser)
    add_bus(parser, required=False)
    add_how(parser)
    parser.add_argument("--out", metavar="DIR", type=path, help="the run folder (default runs/, title and sequence)")
    parser.add_argument("--quiet", action="store_true", help="show the result line only")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """The exit code of the retreat."""
    if args.bus is not None:
        return _on_bus(args)
    if args.armed or args.single_step or args.bus_option:
        from choreo.errors import RecipeError

        headline = "--armed, --single-step and --bus-option are for a real bus, and none is named"
        raise RecipeError(headline, rule="usage", help="Name it with --bus, or leave the other out.")
    from choreo.api import retreat
    from choreo.cli.dry_run import attend_to, shown

    result = retreat(
        args.recipe,
        args.name,
        args.after,
        dict(args.set),
        pace=args.pace,
        faults=args.faults,
        out=args.out,
        attend=lambda link: attend_to(link, quiet=args.quiet),
        answer=args.answer,
    )
    return shown(result, args)


def _on_bus(args: argparse.Namespace) -> int:
    """The same on the real bus."""
    from choreo.api import check_retreat, retreat
    from choreo.cli.interrupts import ending_quietly
    from choreo.errors import RecipeError
    from choreo.live.rehearsal import Rehearsal, rehearsal_of

    if args.faults is not None:
        headline = "--faults are for the simulated bus, and --bus names a real one"
        raise RecipeError(headline, rule="usage", help="Leave one of the two out.")

    def rehearse(plan: "Plan", folder: "Path") -> Rehearsal:
        again = retreat(args.recipe, args.name, args.after, dict(args.set), pace=args.pace, out=folder)
        return rehearsal_of(plan, again)

    with ending_quietly():
        checked, _ = check_retreat(args.recipe, args.name, args.after, dict(args.set), pace=args.pace)
        return carry_out(args, checked, rehearse)
