"""A dry-run is a pure function of its inputs: the same journal, byte for byte, whatever the interpreter's hash seed."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

from choreo.journal import read_journal
from tests.run.machine import DEMO


def rehearse(out: Path, *, hash_seed: int, seed: int = 0) -> bytes:
    """The journal of a run in a process of its own."""
    environment = dict(os.environ, PYTHONHASHSEED=str(hash_seed))
    command = [sys.executable, "-m", "choreo", "dry-run", str(DEMO), "--quiet", "--seed", str(seed), "--out", str(out)]
    subprocess.run(command, env=environment, check=True, stdout=subprocess.DEVNULL)
    return (out / "journal.jsonl").read_bytes()


def test_two_hash_seeds_give_identical_journals_and_another_seed_other_noise(tmp_path: Path):
    first = rehearse(tmp_path / "first", hash_seed=1)
    second = rehearse(tmp_path / "second", hash_seed=4242)
    assert hashlib.sha256(first).hexdigest() == hashlib.sha256(second).hexdigest()
    assert (tmp_path / "first" / "trace.log").read_bytes() == (tmp_path / "second" / "trace.log").read_bytes()

    other = rehearse(tmp_path / "other", hash_seed=1, seed=7)
    samples = [line for line in first.splitlines() if line.startswith(b'["p"')]
    others = [line for line in other.splitlines() if line.startswith(b'["p"')]
    assert samples[:500] != others[:500]
    ends = [next(read_journal(tmp_path / name / "journal.jsonl").of("end")) for name in ("first", "other")]
    assert [(end.fields["outcome"], end.fields["exit"]) for end in ends] == [("done", 0), ("done", 0)]
