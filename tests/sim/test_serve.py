"""What is around a simulated machine that is served: its port's name, what it says, and how far it may run ahead."""

import os
from fractions import Fraction
from pathlib import Path

import pytest

from choreo.errors import RecipeError
from choreo.frame import Frame
from choreo.link.port import SimulatedAxis, SimulatedInput, SimulationRequest
from choreo.link.served import find_server
from choreo_sim.bus import Bus
from choreo_sim.dialect_reader import SHIPPED
from choreo_sim.kernel import Kernel
from choreo_sim.machine_file import find_machine, read_machine
from choreo_sim.port_link import PortLink
from choreo_sim.serve import ServedMachine, serve
from choreo_sim.told import Told

US = 1000
GANTRY = SimulationRequest("kiln_gantry", (), 0)


@pytest.fixture
def said() -> list[str]:
    return []


def served(request: SimulationRequest, said: list[str], **more) -> ServedMachine:
    return serve(request, say=said.append, **more)


def faults(tmp_path: Path, text: str) -> SimulationRequest:
    path = tmp_path / "faults.yaml"
    path.write_text(text)
    return SimulationRequest("kiln_gantry", (), 0, faults=path)


# ---- the port's name ---------------------------------------------------------------------------------------------


def test_a_link_leads_to_the_port_and_goes_with_it(tmp_path: Path) -> None:
    path = tmp_path / "line"
    link = PortLink(path, "/dev/pts/999999")
    assert os.readlink(path) == "/dev/pts/999999"
    link.remove()
    link.remove()
    assert not path.is_symlink()


def test_a_link_whose_port_is_gone_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "line"
    PortLink(path, "/dev/pts/999999")
    PortLink(path, "/dev/pts/999998")
    assert os.readlink(path) == "/dev/pts/999998"


def test_a_link_that_has_become_anothers_stays(tmp_path: Path) -> None:
    path = tmp_path / "line"
    first = PortLink(path, "/dev/pts/999999")
    PortLink(path, "/dev/pts/999998")
    first.remove()
    assert path.is_symlink()


@pytest.mark.parametrize("what", ["file", "folder", "link to a file", "dangling link", "link to a port that is there"])
def test_nothing_else_is_overwritten(tmp_path: Path, what: str) -> None:
    path = tmp_path / "line"
    if what == "file":
        path.write_text("precious")
    elif what == "folder":
        path.mkdir()
    elif what == "link to a file":
        (tmp_path / "file").write_text("precious")
        path.symlink_to(tmp_path / "file")
    elif what == "dangling link":
        path.symlink_to(tmp_path / "nowhere")
    else:
        path.symlink_to("/dev/null")
    before = os.lstat(path)
    with pytest.raises(RecipeError, match=r"--port .*line"):
        PortLink(path, "/dev/pts/999999")
    assert os.lstat(path) == before


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(RecipeError, match="cannot be made: No such file"):
        PortLink(tmp_path / "nowhere" / "line", "/dev/pts/999999")


# ---- what is served ----------------------------------------------------------------------------------------------


def test_the_entry_point_is_this_one() -> None:
    assert find_server() is serve
    with pytest.raises(RecipeError, match="no simulated machine named 'nowhere'"):
        find_server("nowhere")


def test_each_adapter_has_a_port_and_the_names_are_numbered(tmp_path: Path, said: list[str]) -> None:
    machine = served(GANTRY, said, adapters=3, port=tmp_path / "line")
    names = ["line", "line-2", "line-3"]
    assert machine.buses == tuple(f"slcan:{tmp_path / name}" for name in names)
    assert len({os.readlink(tmp_path / name) for name in names}) == 3
    assert machine.close() is False
    assert list(tmp_path.iterdir()) == []


def test_a_name_that_is_taken_takes_the_other_names_back(tmp_path: Path, said: list[str]) -> None:
    (tmp_path / "line-2").write_text("precious")
    with pytest.raises(RecipeError, match="line-2 is there already"):
        served(GANTRY, said, adapters=2, port=tmp_path / "line")
    assert [path.name for path in tmp_path.iterdir()] == ["line-2"]


def test_it_introduces_itself_and_says_how_it_was_left(said: list[str]) -> None:
    machine = served(GANTRY, said)
    machine.stop()
    machine.run()  # returns at once: it was stopped before
    machine.close()
    assert said[0] == (
        "kiln_gantry at 500 kbit/s, 4 axes by name and node: beam_left 11, beam_right 12, carriage 13, lift 14"
    )
    # Where the truth about the gantry begins: sim/machines/kiln_gantry.yaml.
    assert "  carriage    truly stands at 400.000 mm, without power" in said
    assert "  lift        truly stands at 350.000 mm, without power, brake closed" in said
    assert "largest skew of beam_left and beam_right: 0.40 mm" in said
    assert "nothing broke" in said


def test_a_time_ends_it(said: list[str]) -> None:
    machine = served(GANTRY, said)
    machine.run(5_000_000)
    assert machine._kernel.now_ns >= 5_000_000
    machine.close()


@pytest.mark.parametrize(
    ("name", "bit_rate"), [("kiln_gantry", 500_000), ("louvre_row", 250_000), ("test_wall", 1_000_000)]
)
def test_a_truth_knows_the_bit_rate_of_its_bus(name: str, bit_rate: int) -> None:
    # The same as in the machine file beside each truth's recipes: recipes/*/machine.yaml.
    assert read_machine(find_machine(name)).bit_rate == bit_rate


@pytest.mark.parametrize("said", ["0 kbit/s", "1.5 Mbit/s", "1/3 bit/s", "500"])
def test_a_bit_rate_that_no_bus_has_is_refused(tmp_path: Path, said: str) -> None:
    path = tmp_path / "odd.yaml"
    path.write_text(find_machine("kiln_gantry").read_text().replace("axes:", f"bit_rate: {said}\naxes:", 1))
    with pytest.raises(RecipeError, match=r"^odd\.yaml:\d+:\d+  "):
        read_machine(path)


def test_a_recipes_bit_rate_counts_where_there_is_one(said: list[str]) -> None:
    served(SimulationRequest("kiln_gantry", (), 125_000), said).close()
    assert said[0].startswith("kiln_gantry at 125 kbit/s")


def test_an_unknown_machine_names_the_near_miss(said: list[str]) -> None:
    with pytest.raises(RecipeError, match="'kiln_gantri'") as caught:
        served(SimulationRequest("kiln_gantri", (), 0), said)
    assert caught.value.help == "Did you mean kiln_gantry?"


def test_a_nominal_machine_says_that_its_inputs_stay(said: list[str]) -> None:
    inputs = (SimulatedInput("slide", "input_1", True),)
    slide = SimulatedAxis(
        name="slide",
        node=21,
        dialect="short_frame",
        dialect_file=SHIPPED / "short_frame.yaml",
        counts_per_unit=Fraction(1000),
        travel=(Fraction(0), Fraction(500)),
        load="horizontal",
        pair=None,
    )
    served(SimulationRequest(None, (slide,), 500_000, inputs=inputs), said).close()
    assert said[0].startswith("nominal machine at 500 kbit/s, 1 axis")
    assert said[1].startswith("its inputs stay as they are")


# ---- faults ------------------------------------------------------------------------------------------------------


def test_faults_that_wait_for_a_step_are_refused_with_the_entry(tmp_path: Path, said: list[str]) -> None:
    request = faults(
        tmp_path,
        "faults:\n"
        "  - {kind: silent_node, axis: lift, at: 3 s}\n"
        '  - {kind: foreign_stop, step: "12.3", after: 800 ms}\n',
    )
    with pytest.raises(RecipeError, match=r"no step is heard: \{kind: foreign_stop, step: 12.3") as caught:
        served(request, said)
    assert "at: 12 s" in caught.value.help


def test_faults_that_were_drawn_for_steps_are_refused_too(tmp_path: Path, said: list[str]) -> None:
    request = faults(tmp_path, "draw: {kinds: [lost_reply], axes: all, steps: [move], count: 2}\n")
    with pytest.raises(RecipeError, match="and 1 more like it"):
        served(request, said)


def test_the_first_adapter_is_the_one_that_is_lost(tmp_path: Path, said: list[str]) -> None:
    machine = served(faults(tmp_path, "faults:\n  - {kind: adapter_lost, at: 1 ms}\n"), said, adapters=2)
    ports = [adapter.port for adapter in machine._adapters]
    machine.run(2_000_000)
    assert not os.path.exists(ports[0])
    assert os.path.exists(ports[1])
    machine.close()
    assert any(line.endswith("0.001 s  fault adapter_lost: the adapter is gone") for line in said), said


def test_what_breaks_is_said_at_once_and_at_the_end(tmp_path: Path, said: list[str]) -> None:
    # A brake that does not hold lets the lift down onto its buffer at -20 mm, without anybody at the bus.
    text = "faults:\n  - {kind: brake_slips, axis: lift, at: 1 ms, speed: 50000 mm/s}\n"
    machine = served(faults(tmp_path, text), said)
    machine.run(30_000_000)
    assert machine.close() is True
    assert sum("lift ran into its buffer at -20.0 mm" in line for line in said) == 2
    assert any("DAMAGE" in line for line in said[:-1])
    assert "faults that acted:" in said


def test_faults_that_did_not_act_are_named_at_the_end(tmp_path: Path, said: list[str]) -> None:
    machine = served(faults(tmp_path, "faults:\n  - {kind: silent_node, axis: lift, at: 3 s}\n"), said)
    machine.close()
    place = said.index("faults that did not act:")
    assert said[place + 1] == "  {kind: silent_node, axis: lift, at: 3 s}"
    assert "no scripted fault acted" in said


def test_a_list_tells_what_is_added_once_somebody_listens() -> None:
    told: Told[int] = Told()
    heard: list[int] = []
    told.append(1)
    told.tell = heard.append
    told.append(2)
    assert (told, heard) == ([1, 2], [2])


# ---- how far it may run ahead ------------------------------------------------------------------------------------


class Wire:
    """A bus at 500 kbit/s with the adapter and one more device."""

    def __init__(self) -> None:
        self.kernel = Kernel()
        self.bus = Bus(self.kernel, 500_000)
        self.host = self.bus.attach("host", lambda frame, t_ns: None, fifo=True)
        self.other = self.bus.attach("other", lambda frame, t_ns: None)

    def settled(self) -> int:
        return self.bus.settled_until(self.host)


def test_the_frame_of_the_only_adapter_is_settled_until_its_end() -> None:
    wire = Wire()
    assert wire.settled() == 0
    wire.host.send(Frame(0x14B, b"\x12"))
    end_ns = wire.settled()
    # facts.md A5, one byte: 55 bits of 2 µs and 1 to 7 stuff bits, with the intermission of 3 that comes after the end.
    assert (56 - 3) * 2 * US <= end_ns <= (62 - 3) * 2 * US
    wire.kernel.run_until(end_ns)
    assert wire.settled() == 0


def test_another_devices_frame_is_not_settled() -> None:
    wire = Wire()
    wire.other.send(Frame(0x12B, b"\x92"))
    assert wire.settled() == 0


def test_a_frame_that_has_still_to_wait_for_the_bus_is_not_settled() -> None:
    wire = Wire()
    wire.other.send(Frame(0x12B, b"\x92"))
    wire.host.send(Frame(0x14B, b"\x12"))
    assert wire.settled() == 0


def test_a_frame_to_which_a_fault_happens_is_not_settled() -> None:
    wire = Wire()
    wire.other.switch_off()  # nobody acknowledges
    wire.host.send(Frame(0x14B, b"\x12"))
    assert wire.settled() == 0
