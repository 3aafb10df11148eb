"""
A program that a guardian guards, for tests that kill it: `python -m link.guarded BUS NOTE`.

It says "guarded" (or why not), sends poll frames without end and beats. A line on its input ends it: "bye" in good
order, "bug" with an exception. It says what the guardian's end came to, if it finds it gone.
"""

import sys
from pathlib import Path

from choreo.frame import Frame
from choreo.link.guardian import Guardian, guarded_by
from choreo.link.live import LiveLink, open_live
from choreo.link.port import Answer, Interrupt
from choreo.link.simulated import run_by_hand
from link.waiting import in_thread

STOPS = (Frame(0x020, b"\x61"), Frame(0x14B, b"\x22"))
POLL = Frame(0x14B, b"\x12")
MS = 1_000_000


def serve(link: LiveLink, guardian: Guardian) -> None:
    """Poll and beat until told to end."""
    told = ""
    while True:
        if link.unsent() == 0:
            link.submit(POLL)
        got = run_by_hand(link.receive_until(link.now_ns() + 5 * MS))
        if isinstance(got, Answer) and got.text == "bye":
            return
        if isinstance(got, Answer):
            raise RuntimeError(got.text)
        if isinstance(got, Interrupt):
            print(f"interrupt: {got.reason}", flush=True)
        guardian.beat()
        if guardian.trouble != told:
            told = guardian.trouble
            print(f"trouble: {told}", flush=True)


def main() -> None:
    """Open, guard, serve."""
    link = open_live(sys.argv[1], 500_000)
    with guarded_by(link, STOPS, Path(sys.argv[2])) as guardian:
        print(guardian.trouble or "guarded", flush=True)
        in_thread(lambda: link.post(Answer(sys.stdin.readline().strip())))
        serve(link, guardian)
    link.close()


if __name__ == "__main__":
    main()
