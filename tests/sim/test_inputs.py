"""Inputs and outputs of simulated drives: what the machine makes of them, what is forced, what is told unasked."""

import struct
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.errors import RecipeError
from choreo.frame import Frame
from choreo.link.port import SimulatedCue, SimulatedInput, SimulationRequest
from choreo_sim.bus import Bus
from choreo_sim.dialect_reader import SHIPPED, read_dialect
from choreo_sim.inputs import OUTPUTS, Cues, DriveInputs, Wiring
from choreo_sim.kernel import Kernel
from choreo_sim.machine import build
from choreo_sim.machine_file import read_machine
from choreo_sim.mechanics import Mechanics
from choreo_sim.short_frame_drive import ShortFrameDrive
from choreo_sim.truth import InputTruth
from sim.bench import HORIZONTAL, MS, SECOND, VERTICAL

MACHINE = """\
choreo_machine: 1
axes:
  left: {node: 11, dialect: short_frame, unit: mm, counts_per_unit: 24576/5, encoder_at_power_up: 0 counts,
         start: 500 mm, limit_switches: [-20 mm, 2420 mm], buffers: [-60 mm, 2460 mm],
         home_switch: {edge: -8 mm, towards: negative}}
  table: {node: 12, dialect: short_frame, unit: deg, counts_per_unit: 100, encoder_at_power_up: 0 counts,
          start: 0 deg, limit_switches: [-190 deg, 190 deg], buffers: [-200 deg, 200 deg],
          home_switch: {edge: 175 deg, towards: positive}}
inputs:
"""


class World:
    """Two axes with their drives; the bytes are written down from the dialect file by hand."""

    def __init__(self, *, event: bool = False, tmp_path: Path | None = None) -> None:
        self.kernel = Kernel()
        self.bus = Bus(self.kernel, 500_000)
        self.heard: list[tuple[int, Frame]] = []
        self.host = self.bus.attach("host", lambda frame, t_ns: self.heard.append((t_ns, frame)))
        path = SHIPPED / "short_frame.yaml"
        if event:
            assert tmp_path is not None
            bits = "[negative_limit, positive_limit, home_switch, input_1, input_2, input_3, input_4, input_5]"
            said = f"events:\n  inputs: {{on: event, payload: [{{constant: 0xF2}}, {{bits: {bits}}}]}}\n"
            text = path.read_text(encoding="utf-8").replace("events:\n", said)
            path = tmp_path / "telling.yaml"
            path.write_text(text, encoding="utf-8")
        dialect = read_dialect(path)
        self.damage: list = []
        self.bodies = {truth.name: Mechanics(self.kernel, truth, self.damage, 0) for truth in (HORIZONTAL, VERTICAL)}
        self.drives = {name: ShortFrameDrive(self.kernel, self.bus, dialect, b, 0) for name, b in self.bodies.items()}
        self.wiring = Wiring(self.kernel, {name: drive.inputs for name, drive in self.drives.items()}, self.bodies)

    def until(self, t_ns: int) -> None:
        self.kernel.run_until(t_ns, [], [])

    def ask(self, node: int, data: bytes) -> bytes:
        """The answer to a request."""
        self.heard.clear()
        self.host.send(Frame(0x140 + node, data))
        self.until(self.kernel.now_ns + 10 * MS)
        (answer,) = [frame.data for _, frame in self.heard if frame.id == 0x120 + node]
        return answer

    def bits(self, node: int) -> int:
        """The byte behind 94, least significant bit first: two limits, home, then input_1 to input_5."""
        answer = self.ask(node, b"\x14")
        assert answer[0] == 0x94
        return answer[1]

    def move(self, target_counts: int, speed: int) -> None:
        for data in (b"\x31\x01", b"\x41" + struct.pack("<iH", target_counts, speed)):
            assert self.ask(11, data)[0] in (0xB1, 0xC1)


def of(node: Path, text: str) -> tuple[InputTruth, ...]:
    path = node / "machine.yaml"
    path.write_text(MACHINE + text, encoding="utf-8")
    return read_machine(path).inputs


# ---- the file ------------------------------------------------------------------------------------------------------


def test_a_machine_file_says_what_each_input_reads(tmp_path):
    found = of(
        tmp_path,
        "  guard: {axis: left, input: input_3, level: high, changes: {4 s: low, 6.5 s: high}}\n"
        "  probe: {axis: left, input: input_1, below: 12.5 deg, of: table}\n"
        "  clamped: {axis: table, input: input_2, output: 1, of: left, after: 120 ms}\n"
        "  idle: {axis: table, input: input_5}\n",
    )
    assert [(one.name, one.axis, one.bit, one.level) for one in found] == [
        ("guard", "left", "input_3", True),
        ("probe", "left", "input_1", True),
        ("clamped", "table", "input_2", True),
        ("idle", "table", "input_5", False),
    ]
    assert found[0].changes == ((4 * SECOND, False), (6500 * MS, True))
    assert found[1].position == ("table", 12.5, -1)
    assert found[2].output == ("left", 1, 120 * MS)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("  a: {axis: lift, input: input_1}\n", "lift"),
        ("  a: {axis: left, input: input_1, level: on}\n", "on"),
        ("  a: {axis: left, input: input_1, above: 5 deg}\n", "unit"),
        ("  a: {axis: left, input: input_1, above: 5 mm, output: 1}\n", "follows one thing only"),
        ("  a: {axis: left, input: input_1, of: table}\n", "goes with"),
        ("  a: {axis: left, input: input_1, above: 5 mm, after: 3 ms}\n", "goes with"),
        ("  a: {axis: left, input: input_1, changes: {4 s: high, 3 s: low}}\n", "in order"),
        ("  a: {axis: left, input: input_1, output: 99}\n", "99"),
        ("  a: {axis: left, input: input_1}\n  b: {axis: left, input: input_1}\n", "same bit"),
    ],
)
def test_what_is_wrong_is_refused_with_its_place(tmp_path, text, says):
    with pytest.raises(RecipeError, match=r"machine\.yaml:\d+:\d+") as refused:
        of(tmp_path, text)
    assert says in str(refused.value)


# ---- what is read --------------------------------------------------------------------------------------------------


def test_a_bit_reads_what_the_machine_makes_of_it_and_what_is_forced():
    world = World()
    assert world.bits(11) == 0
    world.wiring.connect([InputTruth(name="a", axis="axis", bit="input_3", level=True)])
    assert world.bits(11) == 0b100000
    world.drives["axis"].inputs.force("input_3", False)
    world.drives["axis"].inputs.force("home_switch", True)  # a switch may be forced like any other bit
    assert world.bits(11) == 0b100
    world.drives["axis"].inputs.release("input_3")
    world.drives["axis"].inputs.release("home_switch")
    assert world.bits(11) == 0b100000


def test_levels_change_at_their_times():
    world = World()
    changes = ((50 * MS, True), (90 * MS, False))
    world.wiring.connect([InputTruth(name="a", axis="axis", bit="input_1", level=False, changes=changes)])
    seen = []
    for t_ms in (10, 55, 85, 100):
        world.until(t_ms * MS)
        seen.append(world.bits(11) >> 3 & 1)  # asked at t, read within a millisecond
    assert seen == [0, 1, 1, 0]


def test_a_probe_closes_where_the_axis_passes_it():
    world = World()
    per_mm = 4915.2  # practice.md, the demo machine: beam
    world.wiring.connect(
        [InputTruth(name="a", axis="lift", bit="input_1", level=True, position=("axis", 510.0, 1))]  # on another drive
    )
    world.move(round(-250_000 + 20 * per_mm), 240)  # from 500 mm, where the encoder reads -250,000; 50 mm/s
    last = 0
    while world.kernel.now_ns < 2 * SECOND:
        bit = world.bits(14) >> 3 & 1
        position = world.bodies["axis"].position(world.kernel.now_ns)
        if abs(position - 510) > 1:  # the reading is some milliseconds old by now
            assert bit == (position > 510)
        last = bit
    assert last == 1


def test_an_input_follows_an_output_after_its_delay():
    world = World()
    truth = InputTruth(name="a", axis="lift", bit="input_2", level=True, output=("axis", 1, 100 * MS))
    world.wiring.connect([truth])
    assert world.ask(11, b"\x34\x01\x01") == b"\xb4\x01\x01"
    switched = world.kernel.now_ns
    assert world.drives["axis"].inputs.output(1)
    assert not world.bits(14)
    world.until(switched + 101 * MS)
    assert world.bits(14) == 0b10000
    assert world.ask(11, b"\x34\x01\x00") == b"\xb4\x01\x00"
    assert world.bits(14) == 0b10000
    world.until(world.kernel.now_ns + 101 * MS)
    assert not world.bits(14)


@pytest.mark.parametrize("data", [bytes((0x34, OUTPUTS + 1, 1)), b"\x34\x01\x02"])
def test_an_output_that_the_drive_does_not_have_is_refused(data):
    """Practice.md P37 (common practice, no source): refused, not clipped. EE, the code refused, 1: out of range."""
    assert World().ask(11, data) == b"\xee\x34\x01"


def test_outputs_stay_through_stops_and_faults_and_are_off_at_power_up():
    world = World()
    world.ask(11, b"\x34\x03\x01")
    world.host.send(Frame(0x020, b"\x62"))
    world.until(world.kernel.now_ns + 50 * MS)
    assert world.drives["axis"].inputs.output(3)
    world.drives["axis"].boot()
    assert not world.drives["axis"].inputs.output(3)


@given(changes=st.lists(st.tuples(st.integers(0, 8), st.booleans(), st.integers(1, 500)), max_size=20))
def test_how_an_output_was_switched_at_any_time_is_known(changes):
    """Against a list of all switchings, looked through backwards."""
    kernel = Kernel()
    inputs = DriveInputs(kernel)
    history: list[tuple[int, int, bool]] = []
    for output, on, pause_ms in changes:
        kernel.run_until(kernel.now_ns + pause_ms * MS)
        assert inputs.switch(output, on)
        history.append((kernel.now_ns, output, on))
    for t_ns in [t_ns + off for t_ns, _, _ in history for off in (-1, 0, 1)]:
        for output in range(9):
            last = next((on for at, which, on in reversed(history) if which == output and at <= t_ns), False)
            assert inputs.output_at(output, t_ns) is last


# ---- unasked -------------------------------------------------------------------------------------------------------


def test_a_change_is_told_unasked_where_the_dialect_has_a_frame_for_it(tmp_path):
    """Identifier 0x060 and the node, F2, the byte of bits: from the dialect file of this test."""
    world = World(event=True, tmp_path=tmp_path)
    changes = ((50 * MS, True), (90 * MS, False))
    world.wiring.connect(
        [
            InputTruth(name="a", axis="axis", bit="input_1", level=False, changes=changes),
            InputTruth(name="b", axis="lift", bit="input_2", level=True),
        ]
    )
    for drive in world.drives.values():
        drive.wired()
    world.until(SECOND)
    told = [(t_ns, frame) for t_ns, frame in world.heard if frame.id in (0x06B, 0x06E)]
    assert [(frame.id, frame.data) for _, frame in told] == [(0x06B, b"\xf2\x08"), (0x06B, b"\xf2\x00")]
    for (t_ns, _), due in zip(told, (50 * MS, 90 * MS), strict=True):
        assert due < t_ns < due + 5 * MS


def test_a_probe_on_another_axis_is_told_when_it_closes(tmp_path):
    world = World(event=True, tmp_path=tmp_path)
    world.wiring.connect([InputTruth(name="a", axis="lift", bit="input_1", level=True, position=("axis", 510.0, 1))])
    world.move(round(-250_000 + 20 * 4915.2), 240)
    world.heard.clear()
    world.until(2 * SECOND)
    (told,) = [t_ns for t_ns, frame in world.heard if frame.id == 0x06E]
    assert told > SECOND // 10
    assert [frame.data for _, frame in world.heard if frame.id == 0x06E] == [b"\xf2\x08"]


# ---- nominal -------------------------------------------------------------------------------------------------------


def test_a_nominal_machine_reads_as_it_is_told():
    from sim.test_machine import axis

    inputs = (SimulatedInput("x", "input_3", True), SimulatedInput("x", "input_1", False))
    machine = build(Kernel(), Bus(Kernel(), 500_000), SimulationRequest(None, (axis("x", 3),), 500_000, inputs=inputs))
    assert machine.drives["x"].inputs.levels({}) == {"input_3": True, "input_1": False}


def test_a_cue_comes_shortly_after_its_step_has_begun():
    world = World()
    world.wiring.scripted("axis", "input_1", False)
    cues = Cues(world.wiring, [SimulatedCue("4.1 (2 of 5)", "axis", "input_1", True, after_ns=200 * MS)])
    world.until(SECOND)
    cues.begins("4.1 (1 of 5)")
    world.until(2 * SECOND)
    assert not world.bits(11)
    cues.begins("4.1 (2 of 5)")
    begun = world.kernel.now_ns
    world.until(begun + 190 * MS)
    assert not world.bits(11)
    world.until(begun + 205 * MS)
    assert world.bits(11) == 0b1000


@pytest.mark.parametrize(("way", "level"), [(40, True), (-40, True), (40, False)])
def test_a_cue_comes_half_of_the_way_along(way, level):
    world = World()
    cues = Cues(world.wiring, [SimulatedCue("7", "axis", "input_1", level, moved="axis", way=Fraction(way))])
    cues.begins("7")
    assert bool(world.bits(11)) is not level
    world.move(round(-250_000 + way * 4915.2 * 0.45), 240)
    world.until(world.kernel.now_ns + 2 * SECOND)
    assert bool(world.bits(11)) is not level
    world.move(round(-250_000 + way * 4915.2 * 0.55), 240)
    world.until(world.kernel.now_ns + 2 * SECOND)
    assert bool(world.bits(11)) is level


def test_a_truth_of_its_own_takes_no_cues():
    request = SimulationRequest("kiln_gantry", (), 500_000, cues=(SimulatedCue("1", "lift", "input_3", True),))
    machine = build(Kernel(), Bus(Kernel(), 500_000), request)
    before = machine.drives["lift"].inputs.levels({})
    machine.step_begins("1", "", "wait_for")
    assert machine.drives["lift"].inputs.levels({}) == before
