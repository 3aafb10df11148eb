"""Inputs reading by reading: debounce, what cannot be read, what a drive refuses, what is said once."""

import json
from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.diagnostic import Span
from choreo.drive.families import make_drive
from choreo.errors import MachineFault, RefusedByDrive
from choreo.frame import Frame
from choreo.link.simulated import run_by_hand
from choreo.plan.signals import Demands, InputPlan
from choreo.run.session import Session
from choreo.run.watch.inputs import Inputs, Signal
from tests.run.fake import DIALECT, MS, FakeLink, session_for

POLL = 20 * MS
BITS = tuple(DIALECT.input_names)


def plan(debounce_ms: int = 0, *, active_high: bool = True, index: int = 0) -> InputPlan:
    return InputPlan(index, "guard", 0, "input_3", active_high, debounce_ms * MS, Span("recipe.yaml", 1, 1, 1))


class Axis:
    """As much of an axis as inputs need."""

    def __init__(self) -> None:
        self.name = "lift"
        self.drive = make_drive(DIALECT, 11)
        self.plan = type("Plan", (), {"index": 0, "node": 11})()


# ---- one signal ----------------------------------------------------------------------------------------------------


def test_the_first_reading_is_taken_as_it_is_and_a_change_when_it_has_lasted():
    signal = Signal(plan(20))
    assert signal.take(True, 0, MS)
    assert signal.on is True
    assert not signal.take(False, 20 * MS, 21 * MS)
    assert signal.on is True
    assert not signal.settled
    assert signal.take(False, 40 * MS, 41 * MS)
    assert signal.on is False
    assert signal.settled


def test_without_a_debounce_a_change_counts_at_once():
    signal = Signal(plan(0))
    signal.take(True, 0, MS)
    assert signal.take(False, 20 * MS, 21 * MS)


def test_active_low_is_on_while_the_bit_is_0():
    signal = Signal(plan(active_high=False))
    signal.take(False, 0, MS)
    assert signal.on is True


def test_what_cannot_be_read_is_unknown_and_the_next_reading_is_a_first_one():
    signal = Signal(plan(20))
    signal.take(True, 0, MS)
    assert signal.lose()
    assert not signal.lose()
    assert signal.on is None
    assert signal.take(False, 100 * MS, 101 * MS)
    assert signal.before_ns is None


@given(
    levels=st.lists(st.booleans(), min_size=1, max_size=60),
    gaps=st.lists(st.integers(1, 60), min_size=60, max_size=60),
    took=st.lists(st.integers(0, 3), min_size=60, max_size=60),
    debounce=st.integers(0, 100),
)
def test_a_level_counts_when_no_reading_of_its_debounce_said_otherwise(levels, gaps, took, debounce):
    """
    The law, said without the state machine: the debounced level is the last one that readings over the whole of a
    debounce have shown, from the first request to the last reply; one reading alone, however late its reply, shows one
    instant. The first reading counts as it is.
    """
    signal = Signal(plan(debounce))
    readings: list[tuple[bool, int, int]] = []
    now = 0
    expected = levels[0]
    for level, gap, duration in zip(levels, gaps, took, strict=False):
        now += gap * MS
        readings.append((level, now, now + duration * MS))
        now += duration * MS
        signal.take(*readings[-1])
        alike = []
        for reading in reversed(readings):
            if reading[0] is not level:
                break
            alike.append(reading)
        lasted = readings[-1][2] - alike[-1][1] if len(alike) > 1 else 0
        if lasted >= debounce * MS:
            expected = level
        assert signal.on is expected
        assert signal.raw is level


# ---- a drive -------------------------------------------------------------------------------------------------------


class Drive:
    """Answers reads of its inputs with `levels`; refuses them, or says nothing."""

    def __init__(self) -> None:
        self.high: set[str] = set()
        self.mode = "answers"
        self.asked: list[int] = []
        self.link: FakeLink

    def __call__(self, frame: Frame) -> Iterable[tuple[int, Frame]]:
        decoded = DIALECT.decode(frame)
        if decoded.message == "echo":
            return [(MS, DIALECT.encode_reply("echo", 11, count=decoded.values["count"]))]
        self.asked.append(self.link.now_ns())
        if self.mode == "silent":
            return []
        if self.mode == "refuses":
            return [(MS, DIALECT.encode_error(11, refused=0x14, error=2))]
        return [(MS, DIALECT.encode_reply("read_inputs", 11, **{bit: int(bit in self.high) for bit in BITS}))]


class Bench:
    def __init__(self, *, debounce_ms: int = 0, interlock: bool = True) -> None:
        self.drive = Drive()
        self.link = FakeLink(self.drive)
        self.drive.link = self.link
        self.session, self.text = session_for(self.link, 11)
        self.able = True
        demands = Demands((0,) if interlock else ())
        self.inputs = Inputs(
            self.session, [Axis()], [plan(debounce_ms)], demands, POLL, lambda: self.able, lambda: " in step 7, across"
        )

    def records(self, kind: str) -> list[dict]:
        found = [json.loads(line) for line in self.text.getvalue().splitlines() if line.startswith("{")]
        return [record for record in found if record["k"] == kind]

    def sleep(self, ns: int) -> None:
        run_by_hand(self.session.sleep(ns))


@pytest.fixture
def bench() -> Bench:
    return Bench()


def test_an_interlock_is_read_in_the_rhythm_of_the_polls(bench):
    bench.drive.high = {"input_3"}
    bench.inputs.watch_interlocks()
    bench.sleep(200 * MS)
    gaps = [b - a for a, b in zip(bench.drive.asked, bench.drive.asked[1:], strict=False)]
    assert set(gaps) == {POLL}
    assert len(bench.drive.asked) in (10, 11)
    assert bench.records("input") == [{"k": "input", "t": MS, "name": "guard", "axis": "lift", "level": "on"}]


def test_what_nobody_wants_is_not_read(bench):
    bench.able = False
    bench.sleep(100 * MS)
    assert not bench.drive.asked
    with bench.inputs.watching(0):
        bench.sleep(50 * MS)
    asked = len(bench.drive.asked)
    assert asked >= 2
    bench.sleep(100 * MS)
    assert len(bench.drive.asked) == asked


def test_a_lost_interlock_is_reported_once_with_its_name_and_the_step(bench):
    bench.drive.high = {"input_3"}
    bench.inputs.watch_interlocks()
    bench.sleep(50 * MS)
    bench.drive.high = set()
    with pytest.raises(MachineFault, match=r"guard \(input_3 of lift\) was lost in step 7, across") as fault:
        bench.sleep(200 * MS)
    assert fault.value.rule == "interlock"
    bench.session.begin_stopping()
    bench.sleep(200 * MS)
    assert len(bench.records("finding")) == 1


def test_while_nothing_can_move_it_is_recorded_only(bench):
    bench.able = False
    bench.inputs.watch_interlocks()
    bench.sleep(100 * MS)
    assert [record["level"] for record in bench.records("input")] == ["off"]
    bench.able = True
    with pytest.raises(MachineFault, match="guard"):
        bench.sleep(100 * MS)


@pytest.mark.parametrize("mode", ["refuses", "silent"])
def test_an_interlock_that_cannot_be_read_is_lost(bench, mode):
    """Practice.md P10 (common practice, no source)."""
    bench.drive.high = {"input_3"}
    bench.inputs.watch_interlocks()
    bench.sleep(50 * MS)
    bench.drive.mode = mode
    with pytest.raises(MachineFault):
        bench.sleep(2_000 * MS)
    assert bench.inputs.signals[0].on is None
    assert bench.records("input")[-1]["level"] == "unknown"
    bench.session.begin_stopping()
    assert "interlock" in {record["rule"] for record in bench.records("finding")}


def test_an_interlock_that_is_not_asked_for_in_time_is_lost(bench):
    """A transfer that holds the lane keeps the request back: what is old is not known."""
    bench.drive.high = {"input_3"}
    bench.inputs.watch_interlocks()
    bench.sleep(50 * MS)
    bench.session.traffic.lane(0).holder = object()
    with pytest.raises(MachineFault, match="were not read for"):
        bench.sleep(400 * MS)


def test_a_wait_ends_when_the_drive_refuses(bench):
    async def wait(session: Session) -> None:
        with bench.inputs.watching(0):
            await bench.inputs.until(0, lambda signal: signal.on is True)

    bench.able = False
    bench.drive.mode = "refuses"
    with pytest.raises(RefusedByDrive, match="unknown command"):
        run_by_hand(wait(bench.session))


def test_a_frame_of_the_drives_own_is_taken_like_a_reading():
    bench = Bench(debounce_ms=30)
    bench.drive.high = {"input_3"}
    bench.able = False
    axis = Axis()
    bench.inputs.watch_interlocks()
    bench.sleep(10 * MS)
    bench.drive.high = set()
    now = bench.link.now_ns()
    bench.inputs.take(axis, {"input_3": 0}, now, now)
    assert bench.inputs.signals[0].raw is False
    assert bench.inputs.signals[0].on is True
    bench.sleep(29 * MS)
    assert bench.inputs.signals[0].on is True
    bench.sleep(20 * MS)
    assert bench.inputs.signals[0].on is False


def test_bits_that_an_event_does_not_hold_stay_as_they_are(bench):
    bench.able = False
    bench.inputs.take(Axis(), {"input_3": 1}, 0, 0)
    bench.inputs.take(Axis(), {"input_1": 1}, MS, MS)
    assert bench.inputs.signals[0].on is True
    assert bench.inputs.signals[0].asked_ns == 0
