"""
Whole runs on the simulated bus in dialects that differ from short_frame in what they ask of the host. The simulator
reads each dialect with a reader of its own, and does with loads what the dialect says.
"""

import json
from io import StringIO
from itertools import pairwise
from pathlib import Path

import pytest

from choreo.api import simulation_request
from choreo.checks import run_checks
from choreo.diagnostic import Level
from choreo.errors import Exit
from choreo.journal.writer import JournalWriter
from choreo.link.port import Interrupt
from choreo.link.simulated import open_simulated
from choreo.plan.resolve import resolve
from choreo.recipe.load import load
from choreo.report.lost import host_lost
from choreo.run.executor import execute
from choreo.wire.words import FrameClass
from tests.drive.variants import numbered, preload_in_two, text

RECIPE = Path(__file__).with_name("two_slides.yaml")
MS = 1_000_000
LATCH = "latch: 0.5 ms"
KEPT = ("at_trigger: consumed", "at_trigger: kept")
REFUSED = ("second_load: replaces", "second_load: refused")
ADDS = ("second_load: replaces", "second_load: adds")
FROM_DEMAND = ("relative_to: never", "relative_to: demand")
FROM_ACTUAL = ("relative_to: never", "relative_to: actual")
FROM_TARGET = ("relative_to: never", "relative_to: target")


class Slides:
    """A run of the recipe, or of other steps, in one dialect; `sent` is what the host put on the wire, in words."""

    def __init__(self, folder: Path, dialect: str, steps: str | None = None, faults: Path | None = None) -> None:
        (folder / "varied.yaml").write_text(dialect, encoding="utf-8")
        whole = RECIPE.read_text(encoding="utf-8")
        if steps is not None:
            whole = (
                whole[: whole.index("  - enable: all")] + "  - enable: all\n" + steps + "closing:\n  - disable: all\n"
            )
        (folder / "recipe.yaml").write_text(whole, encoding="utf-8")
        recipe = load(folder / "recipe.yaml")
        plan, wrong = resolve(recipe)
        assert plan is not None
        assert not wrong
        self.plan = plan
        self.findings = [finding.headline for finding in run_checks(plan, recipe) if finding.level is Level.ERROR]
        self.dialect = self.plan.dialects["./varied.yaml"]
        self.link = open_simulated(simulation_request(self.plan, faults=faults))
        self.sent = []
        self.link.bus.taps.append(self._tap)
        self.begun = {axis.name: self.link.machine.position(axis.name) for axis in self.plan.axes}

    def _tap(self, frame, t_ns, sender):
        if sender == "host":
            decoded = self.dialect.decode(frame)
            self.sent.append((t_ns, decoded))

    def go(self):
        text = StringIO()
        self.outcome = execute(self.plan, self.link, JournalWriter(None, text))
        self.records = [json.loads(line) for line in text.getvalue().splitlines() if line.startswith("{")]
        return self

    def of(self, kind):
        return [record for record in self.records if record["k"] == kind]

    def moved(self, axis):
        """How far it truly went, in its unit: the machine's word, not its encoder's."""
        return self.link.machine.position(axis) - self.begun[axis]

    def said(self, message):
        return [(t_ns, decoded) for t_ns, decoded in self.sent if decoded.message.partition(".")[0] == message]


@pytest.mark.parametrize(
    "dialect",
    [
        text(KEPT),
        text(KEPT, REFUSED),
        text(KEPT, ADDS),
        text(FROM_DEMAND),
        text(FROM_ACTUAL),
        text(FROM_TARGET),
        text(KEPT, ADDS, FROM_DEMAND),
        text(KEPT, FROM_TARGET),
        text(("gap: 0 ms", "gap: 3 ms")),
        text((LATCH, f"{LATCH}\n  outstanding: 1\n  quiet: {{enable: 50 ms, write_setting: 5 ms, start: 10 ms}}")),
        numbered(text(), 4, echoed=True),
        numbered(text(), 1, echoed=True),
        numbered(text(), 8, echoed=False),
        preload_in_two(text()),
        preload_in_two(text(KEPT, ADDS)),
        preload_in_two(numbered(text(("gap: 0 ms", "gap: 2 ms")), 8, echoed=True)),
    ],
    ids=[
        *("kept", "kept and refused", "kept and added", "from the demand", "from the actual position"),
        *("from the target", "kept, added, from the demand", "kept, from the target", "gap"),
        *("one at a time and silent", "numbered", "toggled", "counting", "in two", "in two, kept", "all together"),
    ],
)
def test_the_slides_end_where_the_recipe_says(tmp_path, dialect):
    """By hand: near +30 +20 -40 = 10 mm, far -10 -5 = -15 mm (practice.md P1: whatever a load is in the dialect)."""
    run = Slides(tmp_path, dialect).go()
    assert run.findings == []
    assert run.outcome.exit is Exit.DONE, run.outcome.headline
    assert run.moved("near") == pytest.approx(10, abs=0.05)
    assert run.moved("far") == pytest.approx(-15, abs=0.05)


# Kept loads (practice.md P1, common practice, no source).


def test_every_drive_under_power_that_takes_no_part_is_loaded_with_nothing(tmp_path):
    run = Slides(tmp_path, text(KEPT)).go()
    starts = [t_ns for t_ns, _ in run.said("start")]
    assert len(starts) == 4
    last = 0
    held = []
    for start in starts:
        loads = [decoded for t_ns, decoded in run.said("preload") if last < t_ns < start]
        held.append(sorted(decoded.node for decoded in loads))
        last = start
    # near alone, far alone, both, near with far without power
    assert held == [[21, 22], [21, 22], [21, 22], [21]]
    assert [decoded.node for t_ns, decoded in run.said("clear_load") if t_ns > starts[2]] == [22]


def test_a_load_of_nothing_goes_to_where_the_axis_stands(tmp_path):
    run = Slides(tmp_path, text(KEPT)).go()
    first = run.said("start")[0][0]
    idle = next(decoded for t_ns, decoded in run.said("preload") if t_ns < first and decoded.node == 22)
    stands = next(record for record in run.of("settled") if record["axis"] == "far")
    assert abs(idle.values["target"] - (stands["counts"] + 10 * 6553.6)) < 10  # before it went 10 mm down
    relative = Slides(tmp_path, text(KEPT, FROM_DEMAND)).go()
    first = relative.said("start")[0][0]
    idle = next(decoded for t_ns, decoded in relative.said("preload") if t_ns < first and decoded.node == 22)
    assert idle.values["target"] == 0


def test_a_load_that_refuses_a_second_is_cleared_before_the_next(tmp_path):
    run = Slides(tmp_path, text(KEPT, REFUSED)).go()
    for start, after in pairwise([t_ns for t_ns, _ in run.said("start")]):
        between = [decoded.message for t_ns, decoded in run.sent if start < t_ns < after]
        assert between.index("clear_load") < between.index("preload")


def test_a_run_that_is_stopped_clears_kept_loads_or_names_them(tmp_path):
    """practice.md P2 and P17."""
    run = Slides(tmp_path, text(KEPT), "  - move: {near: {by: 30 mm}}\n  - dwell: 2 s\n")
    run.link.kernel.at(run.link.now_ns() + 1_500 * MS, lambda _: run.link.post(Interrupt("a test")))
    run.go()
    assert run.outcome.exit is Exit.OPERATOR
    assert [record["load"] for record in run.of("at_rest")] == ["empty", "empty"]


# Relative loads.


def test_a_relative_load_is_sent_once_and_is_the_way(tmp_path):
    run = Slides(tmp_path, text(FROM_DEMAND)).go()
    near = [decoded.values["target"] for _, decoded in run.said("preload") if decoded.node == 21]
    # 8192/3 counts a millimetre; the first way counts from where the axis stands, within its noise
    for sent, way in zip(near, (30, 20, -40), strict=True):
        assert abs(sent - way * 8192 / 3) <= 4


@pytest.mark.parametrize("dialect", [text(), text(FROM_DEMAND), text(FROM_ACTUAL)], ids=["place", "demand", "actual"])
def test_a_strangers_load_leads_as_far_whatever_a_load_is_in_the_dialect(tmp_path, dialect):
    """5 mm at 8192/3 counts a millimetre, as a place or as a way."""
    faults = tmp_path / "faults.yaml"
    faults.write_text("faults:\n  - {kind: stale_load, axis: near, by: 5 mm, speed: 60 mm/s}\n", encoding="utf-8")
    run = Slides(tmp_path, dialect, "  - dwell: 1 s\n", faults)
    servo = run.link.machine.drives["near"].servo
    (load,) = servo.load.held
    begin = servo.reading(run.link.now_ns()) if run.dialect.loads.relative_to == "never" else 0
    assert abs(load.target - begin - 5 * 8192 / 3) <= 2


def test_homing_on_relative_loads(tmp_path):
    """It stops in mid-move, from where a load relative to the demand goes on."""
    ends = []
    for dialect in (text(), text(FROM_DEMAND), text(FROM_ACTUAL), text(FROM_DEMAND, KEPT)):
        run = Slides(tmp_path, dialect, "  - home: near\n").go()
        assert run.outcome.exit is Exit.DONE, run.outcome.headline
        ends.append(run.link.machine.position("near"))
    assert ends == pytest.approx([ends[0]] * len(ends), abs=0.05)  # the same place as with absolute loads


def test_loads_from_the_last_target_are_refused_after_a_stop_in_mid_move(tmp_path):
    """practice.md P1: where that target was is not known any more. The check says so, and the run does."""
    run = Slides(tmp_path, text(FROM_TARGET), "  - home: near\n")
    (found,) = run.findings
    assert "near would be stopped in mid-move in step 4, home" in found
    run.go()
    assert (run.outcome.rule, run.outcome.exit) == ("load-base", Exit.STOPPED)


# On the wire.


def test_the_gap_is_kept_on_the_wire(tmp_path):
    """Between the ends of two frames to one node lie the gap and the second frame, which has 55 bits at the least."""
    run = Slides(tmp_path, text(("gap: 0 ms", "gap: 3 ms"))).go()
    least = 3 * MS + 55 * 2_000  # facts.md A1: 47 bits and one byte, at 500 kbit/s
    for node in (21, 22):
        times = [t_ns for t_ns, decoded in run.sent if decoded.node in (node, None)]
        assert all(new - old >= least for old, new in pairwise(times))


def test_numbers_on_the_wire_neither_skip_nor_repeat(tmp_path):
    """practice.md P35, over a whole run: polls, commands, settings, and the broadcasts by themselves."""
    run = Slides(tmp_path, numbered(text(), 4, echoed=True)).go()
    for node in (21, 22, None):
        numbers = [decoded.values["rolling"] for _, decoded in run.sent if decoded.node == node]
        assert len(numbers) > 3
        assert all((new - old) % 16 == 1 for old, new in pairwise(numbers))


def test_a_stop_breaks_off_a_load_of_two_frames(tmp_path):
    """What moves an axis is not handed over after the first stop (practice.md P13); half a load is undone (P2)."""
    run = Slides(tmp_path, preload_in_two(text()), "  - move: {near: {by: 30 mm}}\n")
    first = []

    def stop(frame, t_ns, sender):
        decoded = run.dialect.decode(frame)
        if sender == "host" and decoded is not None and decoded.message == "preload.1" and not first:
            first.append(t_ns)
            run.link.post(Interrupt("a test"))

    run.link.bus.taps.append(stop)
    run.go()
    assert first
    assert run.outcome.exit is Exit.OPERATOR
    after = [decoded.message for t_ns, decoded in run.sent if t_ns > first[0]]
    assert "preload.2" not in after
    assert "clear_load" in after
    stop_at = next(t_ns for t_ns, decoded in run.sent if decoded.frame_class is FrameClass.STOPS)
    assert not [d for t_ns, d in run.sent if t_ns > stop_at and d.frame_class in (FrameClass.LOADS, FrameClass.STARTS)]


# What drives say of themselves.

SCALE = (
    "permanent_settings: []",
    "permanent_settings: []\nscale_settings: {counts_per_motor_rev: {number: 40, unit: 1024 counts}}",
)
EVENTS = (
    "  boot:  {on: event, payload: [{constant: 0xF0}]}\n",
    "  boot:  {on: event, payload: [{constant: 0xF0}]}\n"
    "  position: {on: event, payload: [{constant: 0xF2}, {position: signed 32}], every: 5 ms}\n"
    "  status: {on: event, every: 100 ms, payload: [{constant: 0xF3}, "
    "{bits: [enabled, moving, homed, loaded, brake_applied, in_position, -, -]}, {fault: unsigned 8}]}\n",
)


def test_the_scale_is_read_before_anything_is_set_and_compared(tmp_path):
    """practice.md P26: electronic ratios change what a count is."""
    run = Slides(tmp_path, text(SCALE)).go()
    assert run.outcome.exit is Exit.DONE
    assert [(record["axis"], record["raw"]) for record in run.of("scale")] == [("near", 64), ("far", 64)]


def test_a_scale_that_differs_refuses_the_run_with_both_numbers(tmp_path):
    run = Slides(tmp_path, text(SCALE))
    run.link.machine.drives["far"].servo.settings["counts_per_motor_rev"] = 32
    run.go()
    assert (run.outcome.exit, run.outcome.rule, run.outcome.axis) == (Exit.REFUSED, "scale-differs", "far")
    assert "its drive has 32768 counts per motor rev, and the recipe says 65536" in run.outcome.headline
    classes = {decoded.frame_class for _, decoded in run.sent}
    assert classes <= {FrameClass.NEUTRAL, FrameClass.STOPS, FrameClass.CLEARS, FrameClass.DISABLES}  # closing's own


def test_pushed_positions_enter_like_polled_ones_and_prove_no_standstill_by_their_number(tmp_path):
    """practice.md P10: three equal readings within 15 ms of an axis that creeps would prove nothing."""
    run = Slides(tmp_path, text(EVENTS)).go()
    assert run.outcome.exit is Exit.DONE, run.outcome.headline
    assert run.moved("near") == pytest.approx(10, abs=0.05)


def test_three_missed_words_are_a_lost_node(tmp_path):
    run = Slides(tmp_path, text(EVENTS), "  - dwell: 3 s\n")
    drive = run.link.machine.drives["far"]
    run.link.kernel.at(run.link.now_ns() + 1_500 * MS, lambda _: quiet(drive))
    run.go()
    assert (run.outcome.exit, run.outcome.rule, run.outcome.axis) == (Exit.STOPPED, "event-missing", "far")


def quiet(drive):
    """It answers, and says nothing unasked any more."""
    drive._unasked._say = lambda name, values: None


# Watchdogs.

WATCHED = (
    "permanent_settings: []",
    "permanent_settings: []\nwatchdog: {within: 200 ms, fed_by: any, then: quick_stop}",
)
FED_BY_ECHO = (
    "permanent_settings: []",
    "permanent_settings: []\nwatchdog: {within: 200 ms, fed_by: [echo], then: disable}",
)


def test_polls_feed_a_watchdog_that_takes_any_message_and_nothing_else_is_sent(tmp_path):
    plain, watched = Slides(tmp_path, text()).go(), Slides(tmp_path, text(WATCHED)).go()
    assert watched.outcome.exit is Exit.DONE, watched.outcome.headline
    assert [d.message for _, d in plain.sent] == [d.message for _, d in watched.sent]


def test_a_watchdog_that_needs_another_message_gets_it_three_times_in_its_time(tmp_path):
    run = Slides(tmp_path, text(FED_BY_ECHO)).go()
    assert run.findings == []
    assert run.outcome.exit is Exit.DONE, run.outcome.headline
    for node in (21, 22):
        times = [t_ns for t_ns, decoded in run.said("echo") if decoded.node == node]
        assert max(new - old for old, new in pairwise(times)) < 80 * MS  # a third of 200 ms, and the bus


def test_a_watchdog_that_nothing_harmless_feeds_is_refused(tmp_path):
    fed_by_moves = (WATCHED[0], WATCHED[1].replace("any", "[preload, start]"))
    (found, *_) = Slides(tmp_path, text(fed_by_moves)).findings
    assert "only preload, start keeps its drive from a quick stop after 200 ms" in found


def test_the_report_says_what_the_drives_do_when_the_host_is_lost(tmp_path):
    run = Slides(tmp_path, text(WATCHED)).go()
    (said,) = host_lost(run.of("run")[0])
    assert said == (
        "If the host is lost, the drives of near, far stop by themselves with a quick stop after 200 ms without a "
        "message."
    )
    assert list(host_lost(Slides(tmp_path, text()).go().of("run")[0])) == []


# What a demanded position proves: nothing (practice.md P11).

DEMANDED = ("position: {is: actual,", "position: {is: demanded,")


def test_an_axis_that_tells_where_it_should_be_is_never_proved_to_stand(tmp_path):
    run = Slides(tmp_path, text(DEMANDED), "  - dwell: 2 s\n")
    run.link.kernel.at(run.link.now_ns() + 1_000 * MS, lambda _: run.link.post(Interrupt("a test")))
    run.go()
    assert run.outcome.exit is Exit.OPERATOR
    assert run.of("at_rest") == []
    assert [record["why"] for record in run.of("unproven")] == [
        "its drive tells where it should be, not where it is: that proves nothing"
    ] * 2


def test_nothing_is_moved_on_such_readings(tmp_path):
    (found, *_) = Slides(tmp_path, text(DEMANDED)).findings
    assert "near reports the position that its drive demands, not the actual one" in found


# Drives that count their own frames (practice.md P35).


def test_a_link_check_says_what_the_drives_own_counts_missed(tmp_path):
    run = Slides(tmp_path, numbered(text(), 8, echoed=False)).go()
    assert [(link["skipped"], link["repeated"], link["wrong"]) for link in run.of("link")] == [(0, 0, 0)] * 2


def test_a_link_on_which_frames_of_a_drive_are_lost_is_no_sound_one(tmp_path):
    """What a drive sent and nobody heard is shown by its own count alone."""
    run = Slides(tmp_path, numbered(text(), 8, echoed=False))
    drive = run.link.machine.drives["far"]

    def lose(_):
        drive._count += 2

    run.link.kernel.at(run.link.now_ns() + 20 * MS, lose)  # while the link is checked
    run.go()
    assert (run.outcome.exit, run.outcome.rule, run.outcome.axis) == (Exit.STOPPED, "link-check", "far")
    assert [link["skipped"] for link in run.of("link") if "exchanges" in link] == [0, 2]


def test_a_refusal_counts_like_every_frame_of_the_drive(tmp_path):
    """The data-error reply carries the drive's own number too: nothing is missing after it."""
    source = numbered(text(), 8, echoed=False)
    error = "payload: [{constant: 0xEE}, {refused: unsigned 8}, {error: unsigned 8}]"
    assert error in source
    run = Slides(tmp_path, source.replace(error, error[:-1] + ", {rolling: 8}]"), "  - move: {near: {by: 30 mm}}\n")
    run.link.machine.drives["near"].servo.fault = 2
    run.go()
    assert run.outcome.exit is Exit.STOPPED
    assert all(not link.get("skipped") for link in run.of("link"))


# Stops.


def test_a_runaway_loses_its_power_although_its_drive_misses_what_comes_too_soon(tmp_path):
    """practice.md P14 (common practice, no source): two frames to one node, for which the dialect asks a gap."""
    faults = tmp_path / "faults.yaml"
    fault = "{kind: runaway, axis: near, at_speed: 60 mm/s, speed: 400 mm/s}"
    faults.write_text(f"faults:\n  - {fault}\n", encoding="utf-8")
    run = Slides(tmp_path, text(("gap: 0 ms", "gap: 3 ms")), "  - move: {near: {by: 300 mm}}\n", faults).go()
    assert [record["axis"] for record in run.of("finding") if record["rule"] == "runaway"] == ["near"]
    assert not run.link.machine.drives["near"].servo.enabled


def test_an_axis_that_gets_its_zero_in_a_stop_does_not_run_away(tmp_path):
    """The home edge is on its way when the stop comes: its readings count from elsewhere from then on."""
    whole = Slides(tmp_path, text(), "  - home: near\n").go()
    (declared,) = [record["t"] for record in whole.of("command") if record["verb"].startswith("declare")]
    run = Slides(tmp_path, text(), "  - home: near\n")
    run.link.kernel.at(declared - MS // 10, lambda _: run.link.post(Interrupt("a test")))
    run.go()
    near = run.link.machine.drives["near"].servo
    assert near.homed  # it heard it
    assert run.outcome.exit is Exit.OPERATOR
    assert not run.of("finding")
    (end,) = [record for record in run.of("at_rest") if record["axis"] == "near"]
    assert end["home_valid"] is False
