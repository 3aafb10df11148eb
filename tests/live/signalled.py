"""
A program that waits on a live link, for tests that send it signals: `python -m live.signalled BUS`.

It says "waiting" when its session is about to wait, prints each event that it gets, and ends with the exit code of an
operator's stop once it was told to by a frame.
"""

import sys

from choreo.errors import Exit
from choreo.frame import Frame
from choreo.link.live import LiveLink, open_live
from choreo.link.port import Interrupt
from choreo.link.supervise import run_live


async def session(link: LiveLink) -> int:
    """Print what comes until a frame comes."""
    print("waiting", flush=True)
    while True:
        got = await link.receive_until(link.now_ns() + 60_000_000_000)
        if isinstance(got, Frame):
            return Exit.OPERATOR
        print(got.reason if isinstance(got, Interrupt) else got, flush=True)


def main() -> int:
    """Open the bus, wait, close it."""
    link = open_live(sys.argv[1], 500_000)
    try:
        return run_live(lambda: session(link), link)
    finally:
        link.close()


if __name__ == "__main__":
    sys.exit(main())
