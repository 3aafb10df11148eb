"""`choreo retreat RECIPE NAME --after RUN`: what to do after a stopped run, from where it left the axes."""

import argparse
from typing import Any

from choreo.cli.arguments import add_answer, add_recipe_arguments, path


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "retreat",
        help="after a stopped run: check and run a sequence for the time after a stop, from where the axes were left",
        description=(
            "Carry out a sequence of a recipe that has `after_stop: true`, on the simulated bus, from where a stopped "
            "run left the axes. Nothing of it ever happens by itself, nothing is reset unless the sequence says so. "
            "Refused: a run that was not stopped, an axis that was not proven to stand, a drive that may hold a move, "
            "a recipe or machine that has been changed since."
        ),
    )
    add_recipe_arguments(parser)
    parser.add_argument("name", metavar="NAME", help="the sequence, from the recipe's `sequences`")
    parser.add_argument("--after", metavar="RUN", type=path, required=True, help="the folder of the stopped run")
    parser.add_argument("--faults", metavar="FILE", type=path, help="faults that the simulated bus and machine have")
    add_answer(parser)
    parser.add_argument("--out", metavar="DIR", type=path, help="the run folder (default runs/, title and sequence)")
    parser.add_argument("--quiet", action="store_true", help="show the result line only")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """The exit code of the retreat."""
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
