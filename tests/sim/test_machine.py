"""Machine truths: the file that ships, files that are wrong, and the nominal machine of a recipe's own axes."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from choreo.errors import RecipeError
from choreo.frame import Frame
from choreo.link.port import SimulatedAxis, SimulationRequest
from choreo_sim.bus import Bus
from choreo_sim.dialect_reader import SHIPPED
from choreo_sim.kernel import Kernel
from choreo_sim.machine import Machine, _dialect, build
from choreo_sim.machine_file import find_machine, read_machine

MS = 1_000_000
GANTRY = SimulationRequest("kiln_gantry", (), 500_000)
TEXT = find_machine("kiln_gantry").read_text(encoding="utf-8")


def built(request: SimulationRequest = GANTRY) -> tuple[Kernel, Bus, Machine]:
    kernel = Kernel()
    bus = Bus(kernel, request.bit_rate)
    return kernel, bus, build(kernel, bus, request)


def test_the_kiln_gantry_is_as_the_demo_machine_was_drawn():
    """practice.md, "The demo machine"."""
    axes = {axis.name: axis for axis in read_machine(find_machine("kiln_gantry")).axes}
    turns = {"beam_left": (10, Fraction(400, 3)), "carriage": (8, Fraction(192)), "lift": (1, Fraction(10))}
    for name, (gear, travel) in turns.items():
        assert axes[name].counts_per_unit == 65536 * gear / travel
    assert {name: axis.node for name, axis in axes.items()} == {
        "beam_left": 11,
        "beam_right": 12,
        "carriage": 13,
        "lift": 14,
    }
    assert [axes[name].limit_switches for name in turns] == [(-20, 2420), (-15, 1315), (-8, 662)]
    assert [axes[name].buffers for name in turns] == [(-60, 2460), (-50, 1350), (-20, 675)]
    edges = {name: (float(axis.home[0].edge), axis.home[0].towards) for name, axis in axes.items()}
    assert edges == {"beam_left": (-8, -1), "beam_right": (-6.9, -1), "carriage": (-6, -1), "lift": (655, 1)}
    assert (axes["beam_right"].inverted, axes["beam_left"].inverted) == (True, False)
    assert axes["lift"].vertical
    assert (axes["lift"].brake.release_ns, axes["lift"].brake.engage_ns) == (40 * MS, 60 * MS)
    assert axes["lift"].brake.sag <= Fraction(1, 10)
    assert [float(axes[name].start) for name in axes] == [500, 500.4, 400, 350]


def test_no_axis_of_the_kiln_gantry_trips_its_own_window_at_its_limit_of_speed():
    """The lag at full speed must stay within the drive's window (practice.md: 3, 2, 1 mm; P8), at the run speed."""
    run = {"beam_left": (250, 3), "beam_right": (250, 3), "carriage": (500, 2), "lift": (120, 1)}
    for axis in read_machine(find_machine("kiln_gantry")).axes:
        speed, window = run[axis.name]
        assert speed * axis.lag_ns / 1e9 < window


def test_unhomed_readings_have_nothing_to_do_with_millimetres():
    kernel, bus, machine = built()
    heard: list[Frame] = []
    host = bus.attach("host", lambda frame, t_ns: heard.append(frame))
    for node in (11, 12, 13, 14):
        host.send(Frame(0x140 + node, b"\x12"))
    kernel.run_until(10 * MS)
    readings = {frame.id - 0x120: int.from_bytes(frame.data[1:], "little", signed=True) for frame in heard}
    assert len(readings) == 4
    for name, node in (("beam_left", 11), ("beam_right", 12), ("carriage", 13), ("lift", 14)):
        truth = machine.axes[name].truth
        assert abs(readings[node] - truth.encoder_at_power_up) <= truth.noise_counts
        assert abs(readings[node] / truth.counts_per_unit - truth.start) > 1
    assert machine.position("beam_left") - machine.position("beam_right") == pytest.approx(-0.4)
    assert machine.skew("beam") == pytest.approx(-0.4)


def talk(request: SimulationRequest) -> list[tuple[int, Frame]]:
    """What the drives answer to a fixed list of requests."""
    kernel, bus, _ = built(request)
    heard: list[tuple[int, Frame]] = []
    host = bus.attach("host", lambda frame, t_ns: heard.append((t_ns, frame)))
    for data in (b"\x12", b"\x31\x01", b"\x11\x07", b"\x12", b"\x13"):
        for node in (11, 12, 13, 14):
            host.send(Frame(0x140 + node, data))
        kernel.run_until(kernel.now_ns + 10 * MS)
    return heard


def test_the_same_request_gives_the_same_machine_and_another_seed_another_noise():
    assert talk(GANTRY) == talk(GANTRY)
    assert talk(GANTRY) != talk(replace(GANTRY, seed=1))


def test_a_machine_that_nobody_knows():
    with pytest.raises(RecipeError, match="no machine truth is called 'kiln_gantri'") as caught:
        built(replace(GANTRY, machine="kiln_gantri"))
    assert "kiln_gantry" in caught.value.help


@pytest.mark.parametrize("name", ["../machines/kiln_gantry", "/etc/passwd", "kiln_gantry.yaml", ""])
def test_a_machine_name_is_a_name_and_no_path(name):
    with pytest.raises(RecipeError):
        built(replace(GANTRY, machine=name))


@pytest.mark.parametrize(
    ("was", "becomes", "complaint"),
    [
        ("node: 12", "node: 11", "two axes have the same node"),
        ("like: beam_left", "like: beam_lefd", "did you mean 'beam_left'"),
        ("[-20 mm, 2420 mm]", "[2420 mm, -20 mm]", "the first must lie below the second"),
        ("[-20 mm, 2420 mm]", "[2420 mm]", "two values are expected here, not 1"),
        ("start: 350 mm", "start: 350 deg", "needs a number and a unit"),
        ("counts_per_unit: 24576/5", "counts_per_unit: -5", "must be above zero"),
        ("    friction: 300", "    frichtion: 300", "did you mean 'friction'"),
        ("reply: [0.3 ms, 0.9 ms]", "reply: [0.9 ms, 0.3 ms]", "above zero and not above the second"),
        ("sides: [beam_left, beam_right]", "sides: [beam_left, beam_rigth]", "did you mean 'beam_right'"),
        ("inverted: true", "inverted: yes", "'yes' is not known here"),
        ("choreo_machine: 1", "choreo_machine: 2", "'2' is not known here"),
        ("load: vertical", "load: upright", "'upright' is not known here"),
    ],
)
def test_what_is_wrong_with_a_machine_file_is_said_with_its_place(tmp_path, was, becomes, complaint):
    assert was in TEXT
    path = tmp_path / "mine.yaml"
    path.write_text(TEXT.replace(was, becomes, 1), encoding="utf-8")
    with pytest.raises(RecipeError, match=r"^mine\.yaml:\d+:\d+  ") as caught:
        read_machine(path)
    assert complaint in caught.value.headline


def axis(name: str, node: int, **changes: object) -> SimulatedAxis:
    given = SimulatedAxis(
        name=name,
        node=node,
        dialect="short_frame",
        dialect_file=SHIPPED / "short_frame.yaml",
        counts_per_unit=Fraction(-1000),
        travel=(Fraction(100), Fraction(1100)),
        load="horizontal",
        pair=None,
    )
    return replace(given, **changes)


def nominal(*axes: SimulatedAxis) -> Machine:
    return built(SimulationRequest(None, axes, 500_000))[2]


def test_a_nominal_machine_has_its_switches_just_outside_the_travel():
    machine = nominal(axis("x", 3))
    truth = machine.axes["x"].truth
    assert truth.inverted
    low, high = Fraction(100), Fraction(1100)
    lower, upper = truth.home
    assert (lower.towards, upper.towards) == (-1, 1)
    assert truth.buffers[0] < truth.limit_switches[0] < lower.edge < low < truth.start
    assert truth.start < high < upper.edge < truth.limit_switches[1] < truth.buffers[1]
    assert machine.position("x") == pytest.approx(300)


def test_a_nominal_machine_has_the_brake_lag_and_noise_that_were_declared():
    machine = nominal(axis("z", 3, load="vertical", brake=(30 * MS, 50 * MS), lag_ns=5 * MS, noise_counts=4))
    truth = machine.axes["z"].truth
    assert (truth.vertical, truth.lag_ns, truth.noise_counts) == (True, 5 * MS, 4)
    assert machine.axes["z"].braked


def test_a_nominal_drive_counts_as_the_recipe_says():
    """practice.md P26: what its scale settings read is handed over, because nobody else could know it."""
    machine = nominal(axis("x", 3, scale={"counts_per_motor_rev": 65536}))
    assert machine.drives["x"].servo.settings["counts_per_motor_rev"] == 65536
    assert machine.drives["x"].servo.settings["speed"] == 64  # as delivered: 65536 counts/s


def test_a_vertical_axis_without_a_brake_does_not_fall():
    kernel, _, machine = built(SimulationRequest(None, (axis("z", 3, load="vertical"),), 500_000))
    kernel.run_until(5_000 * MS)
    assert machine.position("z") == pytest.approx(300)


def test_the_pairs_of_a_nominal_machine_are_beams():
    machine = nominal(axis("a", 3, pair="beam"), axis("b", 4, pair="beam"), axis("c", 5))
    assert list(machine.beams) == ["beam"]
    assert machine.skew("beam") == 0


def test_a_dialect_that_nobody_speaks(tmp_path):
    path = tmp_path / "m.yaml"
    path.write_text(TEXT.replace("dialect: short_frame", "dialect: long_frame"), encoding="utf-8")
    truth = read_machine(path)
    with pytest.raises(RecipeError, match="no simulated drive speaks the dialect 'long_frame'"):
        _dialect(truth.axes[0], GANTRY)


def test_a_dialect_of_the_recipes_own_is_read_from_its_file(tmp_path):
    text = (SHIPPED / "short_frame.yaml").read_text(encoding="utf-8")
    path = tmp_path / "mine.yaml"
    path.write_text(text.replace("request: {base: 0x140}", "request: {base: 0x200}"), encoding="utf-8")
    kernel, bus, _ = built(SimulationRequest(None, (axis("x", 3, dialect="mine", dialect_file=Path(path)),), 500_000))
    heard: list[Frame] = []
    host = bus.attach("host", lambda frame, t_ns: heard.append(frame))
    host.send(Frame(0x203, b"\x11\x05"))
    kernel.run_until(10 * MS)
    assert [frame.data for frame in heard] == [b"\x91\x05"]
