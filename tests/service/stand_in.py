"""
A process that has a machine, as far as others can see, for tests of the stop: `python -m service.stand_in WAY FOLDER`.

It announces itself, writes a journal, says "ready", and when it is asked to stop does so in one of several WAYs.
"""

import signal
import sys
import threading
from pathlib import Path

from choreo.journal.writer import JournalWriter
from choreo.running import announced

MACHINE, BUS = "test gantry", "socketcan:nowhere"
AXES = ("beam", "lift")


def run_record(journal: JournalWriter) -> None:
    """The first line of a journal."""
    axes = [
        {"name": name, "node": 3 + place, "unit": "mm", "counts_per_unit": 100, "pair": None, "lag_ns": 0,
         "noise_counts": 0}
        for place, name in enumerate(AXES)
    ]  # fmt: skip
    journal.write(
        "run", 0, journal=1, choreo="0", mode="live", title="A run", machine=MACHINE, seed=None, pace=1, hashes={},
        parameters={}, axes=axes, pairs=[], limits={}, steps=[],
    )  # fmt: skip


def stopping(journal: JournalWriter) -> None:
    """The stop begins."""
    journal.write(
        "stopping", 5, cause="stopped by the operator: SIGTERM", rule="operator", exit=130, step=None, axis=None,
        taken_back=[],
    )  # fmt: skip


def left(journal: JournalWriter, axis: str, kind: str) -> None:
    """How an axis was left."""
    proven = kind == "at_rest"
    journal.write(
        kind, 9, axis=axis, position=12.5 if proven else None, counts=1250 if proven else None, energised=True,
        home_valid=proven, load="empty" if proven else "unknown", fault=0,
        why="three fresh, equal readings" if proven else "it does not answer",
        next="Find the cause before the next run.",
    )  # fmt: skip


def react(way: str, journal: JournalWriter) -> None:
    """What is done once it was asked to stop."""
    if way in ("stops", "lift_unproven", "lift_unheard", "loses_link"):
        stopping(journal)
        kinds = {"stops": "at_rest", "loses_link": "unproven"}
        left(journal, "beam", kinds.get(way, "at_rest"))
        if way != "lift_unheard":
            left(journal, "lift", kinds.get(way, "unproven"))
        journal.write("end", 10, outcome="stopped", exit=4 if way == "loses_link" else 130, taken_ns=10)
    elif way == "is_done":
        journal.write("end", 10, outcome="done", exit=0, taken_ns=10)
    elif way == "hangs":
        stopping(journal)
        signal.pause()
    elif way == "dies":
        stopping(journal)
        left(journal, "beam", "at_rest")
        signal.raise_signal(signal.SIGKILL)


def main() -> int:
    """Wait to be asked."""
    way, folder = sys.argv[1], Path(sys.argv[2])
    asked = threading.Event()
    signal.signal(signal.SIGTERM, signal.SIG_IGN if way == "deaf" else lambda number, frame: asked.set())
    with announced(MACHINE, BUS, folder):
        if way == "no_journal":
            print("ready", flush=True)
            asked.wait()
            return 0
        with JournalWriter(folder / "journal.jsonl") as journal:
            run_record(journal)
            print("ready", flush=True)
            asked.wait()
            react(way, journal)
    return 0


if __name__ == "__main__":
    sys.exit(main())
