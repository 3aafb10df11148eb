"""
What a run on a real bus looks at and asks before its first step; here on the simulated bus, in virtual time.

practice.md P2, P20, P21, P28 (common practice, no source). Frames of the shipped dialect are read by its decoder.
"""

import json
from dataclasses import replace
from io import StringIO

import pytest

from choreo.api import simulation_request
from choreo.errors import Exit
from choreo.journal.writer import JournalWriter
from choreo.link.port import Answer, Interrupt, SimulatedLeft
from choreo.link.simulated import open_simulated, run_by_hand
from choreo.run.executor import perform
from choreo.run.live import BEAT_NS, Live
from choreo.wire.words import MOTION
from choreo_sim.framebits import exact_bits
from run.machine import GANTRY, plan_of

SLIDES = GANTRY.parents[1] / "tests" / "live" / "two_slides.yaml"
WORD = "two-slides-once-there"


class Scene:
    """The two slides, and a person who answers each question with the lines given for it."""

    def __init__(self, *answers, left=(), live=None):
        self.plan = plan_of(SLIDES)
        self.link = open_simulated(replace(simulation_request(self.plan), left=left))
        self.sent = []
        self.bits = 0
        self.link.bus.taps.append(self._tap)
        self.answers = list(answers)
        self.beats = []
        self.live = replace(live or Live(WORD), beat=lambda: self.beats.append(self.link.now_ns()))

    def _tap(self, frame, t_ns, sender):
        self.bits += exact_bits(frame)
        if sender == "host":
            self.sent.append(frame)

    def _answer(self, question):
        for line in self.answers.pop(0) if self.answers else ():
            self.link.post(line if isinstance(line, Interrupt) else Answer(line))

    def go(self):
        text = StringIO()
        journal = JournalWriter(None, text)
        self.outcome = run_by_hand(
            perform(self.plan, self.link, journal, mode="live", seed=None, operator=self._answer, live=self.live)
        )
        self.records = [json.loads(line) for line in text.getvalue().splitlines() if line.startswith("{")]
        return self.outcome

    def of(self, kind):
        return [record for record in self.records if record["k"] == kind]

    def moved(self):
        (dialect,) = self.plan.dialects.values()
        found = [dialect.decode(frame) for frame in self.sent]
        return [one.message for one in found if one is not None and one.frame_class in MOTION]


def test_the_machines_name_begins_it_and_nothing_else_does():
    scene = Scene(["", "yes", "two slides, once there", WORD.upper()])
    assert scene.go().exit is Exit.DONE
    kinds = [record["k"] for record in scene.records]
    asked = next(i for i, one in enumerate(scene.records) if one["k"] == "operator" and one["what"] == "asked")
    assert kinds.index("step_begin") > asked
    assert WORD in scene.records[asked]["text"]
    answers = [record["text"] for record in scene.of("operator") if record["what"] == "answer"]
    assert answers == ["", "yes", "two slides, once there", WORD.upper()]
    before = scene.records[:asked]
    assert {record["axis"] for record in before if record["k"] == "link"} == {"near_slide", "far_slide"}
    assert {record["axis"] for record in before if record["k"] == "loads"} == {"near_slide", "far_slide"}
    assert [record["exchanges"] for record in scene.of("link")[:2]] == [50, 50]


@pytest.mark.parametrize("word", ["no", Interrupt("the space bar")])
def test_no_and_the_space_bar_end_it_before_anything_has_moved(word):
    scene = Scene([word])
    assert scene.go().exit is Exit.OPERATOR
    assert scene.moved() == []
    assert sorted(record["axis"] for record in scene.of("at_rest")) == ["far_slide", "near_slide"]


def test_armed_asks_nobody_and_says_so():
    scene = Scene(live=Live(WORD, armed="nobody was asked: --armed"))
    assert scene.go().exit is Exit.DONE
    assert [record["what"] for record in scene.of("operator")] == ["armed"]
    assert scene.of("operator")[0]["text"] == "nobody was asked: --armed"


def test_single_step_says_what_will_move_how_far_and_how_fast():
    steps = 7  # of two_slides.yaml, closing included
    scene = Scene([WORD], *(["yes"] for _ in range(steps)), live=Live(WORD, single_step=True))
    assert scene.go().exit is Exit.DONE
    questions = [record["text"] for record in scene.of("operator") if record["what"] == "asked"]
    assert len(questions) == 1 + steps
    loads, starts = questions[4], questions[5]
    assert "near_slide by +8 mm at 10 mm/s" in loads
    assert "far_slide by -8 mm at 10 mm/s" in loads
    assert "moves nothing yet" in loads
    assert starts.startswith(
        "Step 5, trigger all: starts near_slide by +8 mm at 10 mm/s; far_slide by -8 mm at 10 mm/s"
    )


def test_single_step_ends_at_no_with_the_step_not_begun():
    scene = Scene([WORD], ["yes"], ["yes"], ["yes"], ["yes"], ["no"], live=Live(WORD, single_step=True))
    assert scene.go().exit is Exit.OPERATOR
    assert "start" not in scene.moved()
    assert len(scene.of("step_begin")) == 4
    # What was preloaded is gone (P2).
    assert {record["load"] for record in scene.of("at_rest")} == {"empty"}


def test_a_homed_axis_outside_its_travel_refuses():
    per_mm = 65536 * 3 / 10
    outside = (SimulatedLeft(3, round(450 * per_mm), homed=True, powered=False),)  # travel 0 to 400 mm
    scene = Scene([WORD], left=outside)
    outcome = scene.go()
    assert (outcome.exit, outcome.rule, outcome.axis) == (Exit.STOPPED, "outside-travel", "near_slide")
    assert "450.000 mm" in outcome.headline
    assert scene.moved() == []
    inside = (SimulatedLeft(3, round(350 * per_mm), homed=True, powered=False),)
    assert Scene([WORD], left=inside).go().exit is Exit.DONE


def test_a_drive_in_fault_refuses():
    scene = Scene([WORD], left=(SimulatedLeft(9, 0, homed=False, powered=False, fault=2),))
    outcome = scene.go()
    assert (outcome.rule, outcome.axis) == ("drive-fault", "far_slide")
    assert scene.moved() == []


def test_whoever_guards_it_hears_it_to_the_end_of_stopping():
    scene = Scene([WORD])
    scene.link.kernel.at(900_000_000, lambda _: scene.link.post(Interrupt("the space bar")), None)
    assert scene.go().exit is Exit.OPERATOR
    assert scene.beats[0] < BEAT_NS
    gaps = [later - earlier for earlier, later in zip(scene.beats, scene.beats[1:], strict=False)]
    assert gaps
    assert set(gaps) == {BEAT_NS}
    assert scene.link.now_ns() - scene.beats[-1] <= BEAT_NS


def test_the_load_is_an_upper_bound_of_what_was_on_the_wire():
    scene = Scene([WORD])
    scene.go()
    records = scene.of("traffic")
    span_s = sum(record["span_ns"] for record in records) / 1e9
    told = sum(record["load"] * record["span_ns"] for record in records) / 1e9 * scene.plan.bit_rate
    true = scene.bits * span_s / (scene.link.now_ns() / 1e9)
    # facts.md A4: the longest frame has at most 24 stuff bits to 111, so 1.3, and the edges of the spans.
    assert true * 0.9 <= told <= true * 1.35
    assert all(0 < record["load"] < 1 for record in records)
