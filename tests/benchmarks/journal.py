"""
What a journal costs: a sample and a record written, a million samples read back.

Figures are of this machine at this moment; the ratio to a bare `os.write` of the same lines says more.
"""

import os
import tempfile
import time
from pathlib import Path

from choreo.journal import JournalWriter, read_journal

SAMPLES = 1_000_000
RECORDS = 20_000
AXES = 4


def write_samples(path: Path) -> float:
    """Seconds for `SAMPLES` samples of four axes after a `run` record."""
    head = {"name": "a", "node": 1, "unit": "mm", "counts_per_unit": "1", "pair": None}
    empty = dict.fromkeys(("choreo", "mode", "title", "machine", "seed", "pace", "hashes", "parameters", "limits"))
    with JournalWriter(path) as journal:
        journal.write("run", 0, journal=1, axes=[head] * AXES, pairs=[], steps=[], **empty)
        began = time.perf_counter()
        for number in range(SAMPLES):
            journal.sample(number * 5_000_000, number % AXES, 1_000_000 + number, 480)
        journal.flush()
        return time.perf_counter() - began


def write_records(path: Path) -> float:
    """Seconds for `RECORDS` records."""
    with JournalWriter(path) as journal:
        began = time.perf_counter()
        for number in range(RECORDS):
            journal.write("command", number, axis="beam_left", verb="load", frame="14B#42.00.10.00.00", outcome="done")
        return time.perf_counter() - began


def write_bare(path: Path, source: Path) -> float:
    """Seconds for the lines of `source`, handed to the operating system one by one as they are."""
    lines = source.read_bytes().splitlines(keepends=True)
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    began = time.perf_counter()
    for line in lines:
        os.write(handle, line)
    took = time.perf_counter() - began
    os.close(handle)
    return took


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.jsonl"
        samples = write_samples(path)
        bare = write_bare(Path(folder) / "bare", path)
        began = time.perf_counter()
        read_journal(path)
        reading = time.perf_counter() - began
        size = path.stat().st_size / 1e6
        records = write_records(path)
    print(f"sample: {samples / SAMPLES * 1e6:.2f} us, {samples / bare:.2f} times a bare write of its line")
    print(f"record: {records / RECORDS * 1e6:.2f} us")
    print(f"reading {SAMPLES} samples ({size:.0f} MB): {reading:.2f} s, {reading / samples:.2f} times writing them")


if __name__ == "__main__":
    main()
