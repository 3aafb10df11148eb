"""`choreo explain TOPIC`: verbs, checks, dialects, exit codes, faults, records of the journal."""

import argparse
import sys
from typing import Any

from choreo.errors import Exit, RecipeError


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "explain",
        help="explain a verb, a check, a dialect, an exit code, a fault or a record of the journal",
        description="Explain a topic. Without one, list them all. A dialect of your own is named by its file.",
    )
    parser.add_argument("topic", metavar="TOPIC", nargs="*", help="such as: move, speed-limit, short_frame, 3")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print every topic of that name, or the list; RecipeError with the near miss for an unknown one."""
    from choreo.cli.terminal import width
    from choreo.cli.topics import all_topics, find, listed

    cells = width(sys.stdout)
    wanted = " ".join(args.topic)
    if not wanted:
        for line in listed(all_topics(), cells):
            print(line)
        return Exit.DONE
    found = find(wanted)
    if not found:
        from choreo.diagnostic import did_you_mean

        raise RecipeError(
            f"there is no topic {wanted[:60]!r}",
            rule="no-topic",
            help=did_you_mean(wanted, [topic.name for topic in all_topics()], "choreo explain lists all topics."),
        )
    for number, topic in enumerate(found):
        if number:
            print()
        print(f"{topic.name} ({topic.kind})")
        print()
        for line in topic.lines(cells):
            print(line)
    return Exit.DONE
