"""
All benchmarks: `python -m tests.benchmarks`, or some by name: `python -m tests.benchmarks startup journal`.

Every other module here has `main() -> None`, which prints ratios and asserts no time. Run them on a machine that does
nothing else.
"""

import sys
from importlib import import_module
from pathlib import Path


def main(wanted: list[str]) -> int:
    """Run those that are wanted, or all; 2 for a name that is none."""
    known = sorted(path.stem for path in Path(__file__).parent.glob("*.py") if not path.stem.startswith("_"))
    unknown = [name for name in wanted if name not in known]
    if unknown:
        print(f"no benchmark {', '.join(unknown)}; there are: {', '.join(known)}", file=sys.stderr)
        return 2
    for number, name in enumerate(wanted or known):
        if number:
            print()
        print(f"{name}:", flush=True)
        import_module(f"tests.benchmarks.{name}").main()
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
