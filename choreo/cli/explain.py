"""`choreo explain TOPIC`: verbs, checks, dialects, exit codes, faults, records of the journal; dialects and frames."""

import argparse
import sys
from typing import Any

from choreo.cli.arguments import path
from choreo.errors import Exit, RecipeError

EXAMPLES = """\
a dialect's frames, to be held against the manual:
  choreo explain --dialect short_frame
  choreo explain --dialect my_drive.yaml
one frame, taken apart or put together:
  choreo explain frame 14B#12 --dialect short_frame
  choreo explain frame 14B#42.A0.86.01.00.F0.00 --recipe recipes/kiln_gantry/home_and_test.yaml
  choreo explain frame preload --node 11 target=100000 speed=240 --dialect short_frame
  choreo explain frame reply status --node 11 enabled=1 moving=0 fault=0 --dialect my_drive.yaml
"""


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "explain",
        help="explain a verb, a check, a dialect, a frame, an exit code, a fault or a record of the journal",
        description="Explain a topic. Without one, list them all. A dialect of your own is named by its file.",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("topic", metavar="TOPIC", nargs="*", help="such as: move, speed-limit, short_frame, 3, frame")
    parser.add_argument("--dialect", metavar="DIALECT", help="the name of a shipped dialect, or a dialect file")
    parser.add_argument(
        "--recipe", metavar="RECIPE", type=path, help="for a frame: whose axes name and scale its values"
    )
    parser.add_argument(
        "--node", metavar="NODE", help="for a frame: a node, `all`, or with --recipe the name of an axis"
    )
    parser.set_defaults(run=run, takes_more="topic")  # words may follow behind --node


def run(args: argparse.Namespace) -> int:
    """Print every topic of that name, or the list; RecipeError with the near miss for an unknown one."""
    if args.topic[:1] == ["frame"]:
        from choreo.cli.frames import explain_frame

        return explain_frame(args.topic[1:], args.dialect, args.recipe, args.node)
    if args.recipe is not None or args.node is not None:
        what = "--recipe" if args.recipe is not None else "--node"
        raise RecipeError(f"{what} is for frames", rule="usage", help="choreo explain frame FRAME --recipe RECIPE")
    if args.dialect is not None:
        return _explain_dialect(args.dialect, args.topic)
    return _explain_topic(" ".join(args.topic))


def _explain_dialect(named: str, topic: list[str]) -> int:
    from choreo.cli.terminal import width
    from choreo.cli.topics import dialects

    if topic:
        help = f"choreo explain --dialect {named} prints the dialect; `frame` is the topic that takes one."
        raise RecipeError(f"--dialect does not go with the topic {topic[0][:60]!r}", rule="usage", help=help)
    for line in dialects.named(named).lines(width(sys.stdout)):
        print(line)
    return Exit.DONE


def _explain_topic(wanted: str) -> int:
    from choreo.cli.terminal import width
    from choreo.cli.topics import all_topics, find, listed

    cells = width(sys.stdout)
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
