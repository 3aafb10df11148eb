"""The command line of the campaigns; see the package."""

import argparse
import sys
from importlib import import_module
from pathlib import Path


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns", description=__doc__)
    parser.add_argument("campaign", choices=("demo", "faults", "kills", "recipes"))
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--nice", type=int, default=0, help="how far the processes step back")
    parser.add_argument(
        "--each", "--runs", type=int, help="faults: so many cells of each kind; recipes, kills, demo: so many runs"
    )
    parser.add_argument("--out", type=Path, help="a folder for everything that is wrong; demo: for the runs")
    args = parser.parse_args(words)
    code: int = import_module(f"tests.campaigns.{args.campaign}").main(args.jobs, args.each, args.nice, args.out)
    return code


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
