"""
Fault files as a whole, on whole runs: the same seed gives the same run, what was drawn can be said outright, and nobody
but the simulator hears of steps.
"""

from io import StringIO
from pathlib import Path
from typing import Any

from choreo.journal.writer import JournalWriter
from choreo.link.port import HearsSteps, Scripted
from choreo.link.trace import TraceLink
from choreo.run.executor import execute
from tests.run.machine import Done, Rehearsal

DRAWN = """\
title: drawn
draw:
  kinds: [silent_node, stalled_axis, drive_fault, lost_reply]
  count: 2
  steps: [move, home, "12.3"]
  within: [0 s, 2 s]
vary: {reply: [1/2, 2], friction: [1/2, 2], start: [-20 mm, 20 mm], noise: [1 counts, 2 counts]}
"""


def rehearse(folder: Path, text: str, seed: int) -> Done:
    path = folder / "faults.yaml"
    path.write_text(text, encoding="utf-8")
    return Rehearsal(faults=path, seed=seed).go()


def test_the_same_seed_gives_the_same_run_and_another_another(tmp_path):
    first, again, other = (rehearse(tmp_path, DRAWN, seed) for seed in (3, 3, 4))
    assert again.journal == first.journal
    assert again.link.machine.script() == first.link.machine.script()
    assert other.link.machine.script().drawn != first.link.machine.script().drawn


def test_what_was_drawn_gives_the_same_run_when_it_is_said_outright(tmp_path):
    first = rehearse(tmp_path, DRAWN, 3)
    script = first.link.script()
    assert script.acted
    said = rehearse(tmp_path, script.explicit, 3)
    assert said.journal == first.journal
    assert said.link.script().acted == script.acted
    assert said.link.script().drawn[:4] == script.drawn[:4]  # what varies is still told, by axis


class Deaf:
    """A link that hears no steps and tells nothing of its truth."""

    def __init__(self, link: Any) -> None:
        for name in ("now_ns", "submit", "withdraw", "unsent", "post", "receive_until", "close"):
            setattr(self, name, getattr(link, name))


def journal_on(rehearsal: Rehearsal, link: Any) -> str:
    text = StringIO()
    execute(rehearsal.plan, link, JournalWriter(None, text))
    return text.getvalue()


def test_a_run_does_not_depend_on_whether_its_link_hears_the_steps():
    plain, deaf, traced = Rehearsal(), Rehearsal(), Rehearsal()
    assert not isinstance(Deaf(deaf.link), HearsSteps | Scripted)
    journal = journal_on(plain, plain.link)
    assert journal_on(deaf, Deaf(deaf.link)) == journal
    assert journal_on(traced, TraceLink(traced.link, StringIO())) == journal


def test_a_trace_passes_the_steps_on(tmp_path):
    path = tmp_path / "faults.yaml"
    path.write_text("faults:\n  - {kind: foreign_stop, step: '12.4 (2 of 5)', after: 100 ms}\n")
    rehearsal = Rehearsal(faults=path)
    text = StringIO()
    outcome = execute(rehearsal.plan, TraceLink(rehearsal.link, StringIO()), JournalWriter(None, text))
    assert outcome.rule == "foreign-stop"
    assert outcome.step is not None
    assert outcome.step.path == "12.4 (2 of 5)"


def test_a_trace_of_a_link_that_hears_no_steps_does_not_mind():
    TraceLink(Deaf(Rehearsal().link), StringIO()).step_begins("1", "", "move")
