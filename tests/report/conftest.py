"""A journal of a small machine, written by a test and read back."""

import io
from fractions import Fraction

import pytest

from choreo.journal import KINDS, JournalWriter, read_journal

AXES = [
    {"name": "left", "node": 11, "unit": "mm", "counts_per_unit": Fraction(24576, 5), "pair": "beam"},
    {"name": "right", "node": 12, "unit": "mm", "counts_per_unit": Fraction(-24576, 5), "pair": "beam"},
    {"name": "lift", "node": 14, "unit": "mm", "counts_per_unit": Fraction(32768, 5), "pair": None},
]
PAIRS = [{"name": "beam", "axes": [0, 1], "trip": Fraction(3, 2), "structural": 20}]


def _step(id, verb, predicted_s, timeout_s, label="", path=None):
    return {
        "id": id,
        "path": path or str(id + 1),
        "verb": verb,
        "label": label,
        "predicted_ns": round(predicted_s * 1e9),
        "timeout_ns": round(timeout_s * 1e9),
        "place": f"r.yaml:{id + 1}:3",
    }


STEPS = [
    _step(0, "link_check", 0.9, 2.35),
    _step(1, "home", 4, 7, "beam"),
    _step(2, "trigger", 1.25, 4),
    _step(3, "disable", 0.01, 1.015, path="closing 1"),
]


class Filling:
    """A writer for tests that care for a few fields: what a record must have and a test leaves out becomes null."""

    def __init__(self, writer):
        self.sample = writer.sample
        self._writer = writer

    def write(self, kind, t_ns, **fields):
        needed = {field.name: None for field in KINDS[kind].fields if not field.optional}
        self._writer.write(kind, t_ns, **(needed | fields))


@pytest.fixture(scope="session")
def recorded(tmp_path_factory):
    """`recorded(fill, **run)`: the journal that `fill(writer)` writes after a `run` record with the given changes."""
    path = tmp_path_factory.mktemp("recorded") / "journal.jsonl"

    def make(fill, **run):
        head = {
            "journal": 1,
            "choreo": "0.1.0",
            "mode": "dry-run",
            "title": "Square the beam",
            "machine": "gantry",
            "seed": 3,
            "pace": "1",
            "hashes": {"r.yaml": "00"},
            "parameters": {"stroke": "600 mm"},
            "axes": AXES,
            "pairs": PAIRS,
            "limits": {},
            "steps": STEPS,
        }
        text = io.StringIO()
        with JournalWriter(None, text) as writer:
            writer.write("run", 0, **(head | run))
            fill(Filling(writer))
        path.write_text(text.getvalue())
        return read_journal(path)

    return make
