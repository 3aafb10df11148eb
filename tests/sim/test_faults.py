"""Scripted faults: what a drive then does, when, that it is recorded, and what a fault file may not say."""

import struct
from pathlib import Path

import pytest

from choreo.errors import RecipeError
from choreo.frame import Frame
from choreo.link.port import AdapterLost, SimulationRequest
from choreo_sim.bus import Bus
from choreo_sim.kernel import Kernel
from choreo_sim.link import open_simulated
from choreo_sim.machine import build
from choreo_sim.yaml_tree import read_tree

MS, SECOND = 1_000_000, 1_000_000_000
SHIPPED = sorted((Path(__file__).parents[2] / "recipes" / "kiln_gantry" / "faults").glob("*.yaml"))
PER_MM = 8192 / 3  # the carriage


class Gantry:
    """The kiln gantry with a fault file, and a host that talks to its carriage."""

    def __init__(self, folder: Path, *faults: str) -> None:
        path = folder / "faults.yaml"
        path.write_text("faults:\n" + "".join(f"  - {{{fault}}}\n" for fault in faults), encoding="utf-8")
        self.kernel = Kernel()
        bus = Bus(self.kernel, 500_000)
        self.machine = build(self.kernel, bus, SimulationRequest("kiln_gantry", (), 500_000, faults=path))
        self.heard: list[Frame] = []
        self.host = bus.attach("host", lambda frame, t_ns: self.heard.append(frame))

    def wait(self, ns: int) -> None:
        self.kernel.run_until(self.kernel.now_ns + ns)

    def ask(self, data: str | bytes, node: int = 13) -> str:
        self.heard.clear()
        self.host.send(Frame(0x140 + node, bytes.fromhex(data) if isinstance(data, str) else data))
        self.wait(5 * MS)
        return " / ".join(frame.data.hex(" ").upper() for frame in self.heard if frame.id == 0x120 + node)

    def position(self) -> int:
        return struct.unpack("<i", bytes.fromhex(self.ask("12"))[1:])[0]

    def run_up(self) -> None:
        """Settings of the recipe's carriage, and power."""
        for number, raw in ((1, 1333), (2, 1000), (3, 625), (4, 2666), (5, 341)):
            assert self.ask(struct.pack("<BBH", 0x22, number, raw)).startswith("A2")
        assert self.ask("31 01") == "B1 01"

    def load(self, mm: float) -> str:
        return self.ask(struct.pack("<BiH", 0x42, self.position() + round(mm * PER_MM), 800))

    def move(self, mm: float) -> str:
        return self.ask(struct.pack("<BiH", 0x41, self.position() + round(mm * PER_MM), 800))

    def broadcast(self, identifier: int, data: bytes) -> None:
        self.host.send(Frame(identifier, data))
        self.wait(2 * MS)

    def start(self) -> None:
        self.broadcast(0x040, b"\x51")

    def fired(self) -> list[tuple[str, str | None]]:
        return [(fired.kind, fired.axis) for fired in self.machine.fired]

    def loaded(self) -> bool:
        return bool(bytes.fromhex(self.ask("13"))[1] & 8)


def test_a_lost_request_is_the_nth_of_its_kind_and_the_next_is_heard(tmp_path):
    gantry = Gantry(tmp_path, "kind: lost_request, node: carriage, message: echo, nth: 2, times: 2")
    assert [gantry.ask("11 05") for _ in range(5)] == ["91 05", "", "", "91 05", "91 05"]
    assert gantry.ask("12").startswith("92")
    assert gantry.fired() == [("lost_request", "carriage")] * 2
    assert gantry.machine.fired[0].what == "echo was not heard"


def test_a_lost_reply_leaves_done_what_was_asked(tmp_path):
    gantry = Gantry(tmp_path, "kind: lost_reply, node: 13, message: write_setting")
    assert gantry.ask("22 02 C0 03") == ""
    assert gantry.ask("21 02") == "A1 02 C0 03"
    assert gantry.fired() == [("lost_reply", "carriage")]


def test_without_a_message_any_reply_counts(tmp_path):
    gantry = Gantry(tmp_path, "kind: lost_reply, node: 13, nth: 2, times: all")
    assert [gantry.ask("11 01"), gantry.ask("12"), gantry.ask("99")] == ["91 01", "", ""]


def test_a_fault_waits_for_its_time(tmp_path):
    gantry = Gantry(tmp_path, "kind: lost_reply, node: 13, at: 0.1 s")
    assert gantry.ask("11 01") == "91 01"
    gantry.wait(100 * MS)
    assert gantry.ask("11 01") == ""
    assert gantry.machine.fired[0].t_ns > 100 * MS


@pytest.mark.parametrize(
    ("error", "code"), [("", 1), (", error: 5", 5), (", error: no edge captured", 6), (", error: 4", 4)]
)
def test_a_data_error_reply_refuses_what_would_have_been_done(tmp_path, error, code):
    gantry = Gantry(tmp_path, f"kind: data_error_reply, node: 13, message: [preload, move], nth: 2{error}")
    gantry.run_up()
    assert gantry.load(10).startswith("C2")
    gantry.ask("43")
    assert gantry.load(10) == f"EE 42 {code:02X}"
    assert not gantry.loaded()
    assert gantry.move(1).startswith("C1")


def test_a_silent_node_still_obeys_a_stop(tmp_path):
    gantry = Gantry(tmp_path, "kind: silent_node, node: carriage, at: 1 s")
    gantry.run_up()
    gantry.move(600)
    gantry.kernel.run_until(SECOND + 100 * MS)
    assert gantry.ask("12") == ""
    gantry.broadcast(0x020, b"\x61")
    gantry.wait(SECOND)
    assert 400 < gantry.machine.position("carriage") < 990
    assert gantry.machine.axes["carriage"].speed(gantry.kernel.now_ns) == 0
    assert gantry.ask("11 01", 11) == "91 01"


def test_a_deaf_node_goes_where_it_was_sent(tmp_path):
    gantry = Gantry(tmp_path, "kind: silent_node, node: carriage, at: 1 s, deaf: true")
    gantry.run_up()
    gantry.move(600)
    gantry.kernel.run_until(SECOND + 100 * MS)
    gantry.broadcast(0x020, b"\x61")
    gantry.wait(4 * SECOND)
    assert gantry.machine.position("carriage") == pytest.approx(1000, abs=0.01)


def test_a_node_may_fall_silent_with_its_nth_request(tmp_path):
    gantry = Gantry(tmp_path, "kind: silent_node, node: carriage, message: echo, nth: 3")
    assert [gantry.ask("11 01") for _ in range(4)] == ["91 01", "91 01", "", ""]
    assert gantry.ask("12") == ""
    assert gantry.fired() == [("silent_node", "carriage")]


@pytest.mark.parametrize(("way", "unnoticed"), [(300, False), (-300, False), (300, True)])
def test_an_axis_stalls_when_it_is_fast_and_its_drive_notices_unless_told_otherwise(tmp_path, way, unnoticed):
    """Window 2 mm at 300 mm/s: at most 7 ms after it has stuck."""
    more = ", unnoticed: true" if unnoticed else ""
    gantry = Gantry(tmp_path, f"kind: stalled_axis, node: carriage, at_speed: 290 mm/s, nth: 2{more}")
    gantry.run_up()
    gantry.move(way)
    gantry.wait(3 * SECOND)
    assert gantry.machine.position("carriage") == pytest.approx(400 + way, abs=0.01)
    gantry.move(-way)
    gantry.wait(3 * SECOND)
    ((fired),) = gantry.machine.fired
    events = [frame.data.hex() for frame in gantry.heard if frame.id == 0x06D]
    assert events == ([] if unnoticed else ["f101"])
    assert 0 < abs(gantry.machine.position("carriage") - 400 - way) < 100
    assert gantry.machine.axes["carriage"].stuck
    assert fired.axis == "carriage"


def test_an_axis_may_stall_at_a_time(tmp_path):
    gantry = Gantry(tmp_path, "kind: stalled_axis, node: carriage, at: 1 s")
    gantry.kernel.run_until(2 * SECOND)
    assert (gantry.machine.axes["carriage"].stuck, gantry.machine.fired[0].t_ns) == (True, SECOND)


def test_a_motion_that_is_stopped_before_it_is_fast_does_not_stall(tmp_path):
    gantry = Gantry(tmp_path, "kind: stalled_axis, node: carriage, at_speed: 290 mm/s")
    gantry.run_up()
    gantry.move(300)
    gantry.wait(100 * MS)
    gantry.broadcast(0x020, b"\x62")
    gantry.wait(3 * SECOND)
    assert gantry.fired() == []


def test_a_motion_that_goes_on_at_speed_does_not_count_twice_and_slowing_down_not_at_all(tmp_path):
    gantry = Gantry(tmp_path, "kind: stalled_axis, node: carriage, at_speed: 200 mm/s, nth: 2")
    gantry.run_up()
    gantry.move(400)
    gantry.wait(700 * MS)
    gantry.move(200)
    gantry.wait(3 * SECOND)
    assert gantry.fired() == []
    gantry.move(-200)
    gantry.wait(3 * SECOND)
    assert gantry.fired() == [("stalled_axis", "carriage")]


def test_a_load_is_lost_just_before_the_trigger(tmp_path):
    gantry = Gantry(tmp_path, "kind: load_lost, node: carriage, nth: 2")
    gantry.run_up()
    gantry.start()  # finds no load: does not count
    gantry.load(50)
    gantry.start()
    gantry.wait(SECOND)
    gantry.load(-50)
    assert gantry.loaded()
    gantry.start()
    gantry.wait(SECOND)
    assert not gantry.loaded()
    assert gantry.machine.position("carriage") == pytest.approx(450, abs=0.01)


def test_a_load_is_accepted_and_forgotten(tmp_path):
    gantry = Gantry(tmp_path, "kind: load_lost_early, node: carriage")
    gantry.run_up()
    assert gantry.load(50).startswith("C2")
    assert not gantry.loaded()
    assert gantry.load(50).startswith("C2")
    assert gantry.loaded()


@pytest.mark.parametrize(
    ("sticky", "answer", "loaded"),
    [("", "C3", False), (", sticky: refuses", "EE 43 02", True), (", sticky: ignores", "C3", True)],
)
def test_a_stale_load_goes_off_at_the_first_trigger_unless_it_is_cleared(tmp_path, sticky, answer, loaded):
    """practice.md P2 (common practice, no source)."""
    gantry = Gantry(tmp_path, f"kind: stale_load, node: carriage, by: -120 mm, speed: 80 mm/s{sticky}")
    assert gantry.loaded()
    gantry.run_up()
    assert gantry.ask("43") == answer
    assert gantry.loaded() is loaded
    gantry.start()
    gantry.wait(4 * SECOND)
    assert gantry.machine.position("carriage") == pytest.approx(280 if loaded else 400, abs=0.01)


def test_a_frozen_encoder_repeats_one_reading_to_the_count(tmp_path):
    """practice.md P10 (common practice, no source)."""
    gantry = Gantry(tmp_path, "kind: frozen_encoder, node: carriage, at_speed: 200 mm/s")
    gantry.run_up()
    gantry.move(300)
    gantry.wait(300 * MS)
    readings = {gantry.position() for _ in range(20)}
    assert len(readings) == 1
    gantry.wait(2 * SECOND)
    assert gantry.machine.position("carriage") == pytest.approx(700, abs=0.01)
    assert gantry.position() in readings


def test_a_delayed_trigger_starts_late(tmp_path):
    gantry = Gantry(tmp_path, "kind: trigger_delayed, node: carriage, by: 300 ms")
    gantry.run_up()
    gantry.load(50)
    gantry.start()
    gantry.wait(290 * MS)
    assert gantry.machine.position("carriage") == pytest.approx(400, abs=0.001)
    gantry.wait(SECOND)
    assert gantry.machine.position("carriage") == pytest.approx(450, abs=0.01)


def test_a_runaway_gets_faster_on_every_stop_until_its_power_is_taken(tmp_path):
    """practice.md P14 (common practice, no source)."""
    gantry = Gantry(tmp_path, "kind: runaway_after_stop, node: carriage, speed: 400 mm/s")
    gantry.run_up()
    gantry.move(600)
    gantry.wait(500 * MS)
    for data in (b"\x61", b"\x62"):
        gantry.broadcast(0x020, data)
        gantry.wait(200 * MS)
        assert gantry.machine.axes["carriage"].speed(gantry.kernel.now_ns) / PER_MM > 390
    gantry.ask("31 00")
    gantry.wait(SECOND)
    assert gantry.machine.axes["carriage"].speed(gantry.kernel.now_ns) == 0
    assert gantry.fired() == [("runaway_after_stop", "carriage")]


def test_a_drive_trips_by_itself(tmp_path):
    gantry = Gantry(tmp_path, "kind: drive_fault, node: carriage, at: 0.5 s, fault: position feedback lost")
    gantry.kernel.run_until(SECOND)
    assert [frame.data.hex() for frame in gantry.heard] == ["f105"]


def test_a_drive_that_restarts_knows_nothing_any_more(tmp_path):
    gantry = Gantry(tmp_path, "kind: drive_restarts, node: carriage, at: 1 s")
    gantry.run_up()
    gantry.kernel.run_until(SECOND)
    gantry.heard.clear()
    gantry.wait(10 * MS)
    assert [frame.data.hex() for frame in gantry.heard] == ["f0"]
    assert gantry.ask("13") == "93 00 00"
    assert gantry.ask("21 01") == "A1 01 40 00"


def test_a_duplicated_move_arrives_twice(tmp_path):
    """practice.md P6 (common practice, no source): the last bit of end of frame."""
    gantry = Gantry(tmp_path, "kind: duplicate_frame, node: carriage, message: echo, nth: 2")
    assert gantry.ask("11 07") == "91 07"
    assert gantry.ask("11 08") == "91 08 / 91 08"
    assert gantry.ask("11 09") == "91 09"
    assert gantry.fired() == [("duplicate_frame", "carriage")]


def test_a_corrupted_frame_is_sent_again(tmp_path):
    gantry = Gantry(tmp_path, "kind: corrupt_frame, node: carriage, message: echo, times: 3")
    assert gantry.ask("11 07") == "91 07"
    assert gantry.fired() == [("corrupt_frame", "carriage")] * 3


def test_a_lost_adapter_is_told_to_the_host(tmp_path):
    path = tmp_path / "faults.yaml"
    path.write_text("faults: [{kind: adapter_lost, at: 20 ms}]", encoding="utf-8")
    link = open_simulated(SimulationRequest("kiln_gantry", (), 500_000, faults=path))
    wait = link.receive_until(SECOND)
    with pytest.raises(StopIteration) as over:
        wait.send(None)
    assert isinstance(over.value.value, AdapterLost)
    assert (link.now_ns(), link.machine.fired[0].kind) == (20 * MS, "adapter_lost")


def test_faults_fire_at_the_same_moments_every_time(tmp_path):
    def fired() -> list[object]:
        gantry = Gantry(
            tmp_path,
            "kind: lost_reply, node: carriage, nth: 3, times: 4",
            "kind: stalled_axis, node: carriage, at_speed: 100 mm/s",
        )
        for data in ("31 01", "22 01 00 10", "22 02 E8 03"):
            gantry.ask(data)
        for _ in range(8):
            gantry.ask(struct.pack("<BiH", 0x41, 400_000, 700))
        gantry.wait(2 * SECOND)
        return gantry.machine.fired

    first = fired()
    assert len(first) == 5
    assert first == fired()


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_the_fault_files_that_ship_fit_the_machine(path):
    assert read_tree(path).need("title").text()
    build(Kernel(), Bus(Kernel(), 500_000), SimulationRequest("kiln_gantry", (), 500_000, faults=path))


@pytest.mark.parametrize(
    ("fault", "complaint"),
    [
        ("kind: lost_replies, node: 13", "2:12  'lost_replies' is not known here; did you mean 'lost_reply'"),
        ("node: 13", "'kind' is missing here"),
        ("kind: lost_reply", "'node' is missing here"),
        ("kind: lost_reply, node: 15", "'15' is no node of this machine; one of 11 (beam_left)"),
        ("kind: lost_reply, node: lifd", "'lifd' is no node of this machine"),
        ("kind: lost_reply, node: 13, nth: 0", "0 is outside 1 to"),
        ("kind: lost_reply, node: 13, nth: first", "is not a whole number"),
        ("kind: lost_reply, node: 13, message: prelod", "did you mean 'preload'"),
        ("kind: lost_reply, node: 13, mesage: preload", "did you mean 'message'"),
        ("kind: lost_reply, node: 13, at: 3", "needs a number and a unit"),
        ("kind: lost_reply, node: 13, at: -3 s", "a time cannot be negative"),
        ("kind: lost_reply, node: 13, times: many", "is not a whole number"),
        ("kind: data_error_reply, node: 13, error: 9", "'9' is not known here; one of 1 (value out of range)"),
        ("kind: silent_node, node: 13", "'at' is missing here"),
        ("kind: silent_node, node: 13, at: 1 s, deaf: yes", "'yes' is not known here"),
        ("kind: stalled_axis, node: 13", "'at' is missing here"),
        ("kind: stalled_axis, node: 13, at_speed: 200", "needs a number and a unit"),
        ("kind: stale_load, node: 13, by: 10 mm", "'speed' is missing here"),
        ("kind: stale_load, node: 13, by: 10 mm, speed: 1 mm/s, sticky: very", "'very' is not known here"),
        ("kind: drive_fault, node: 13, at: 1 s, fault: hunger", "'hunger' is not known here"),
        ("kind: duplicate_frame, node: 13", "'message' is missing here"),
        ("kind: adapter_lost", "'at' is missing here"),
    ],
)
def test_a_bad_fault_file_gets_one_clear_line_with_the_place(tmp_path, fault, complaint):
    with pytest.raises(RecipeError, match=r"^faults\.yaml:2:\d+  ") as caught:
        Gantry(tmp_path, fault)
    assert complaint in caught.value.headline
    assert "\n" not in caught.value.headline


@pytest.mark.parametrize("text", ["", "faults: {}", "faults: 3", "fault: []", "- 1"])
def test_a_file_without_a_list_of_faults_is_refused(tmp_path, text):
    path = tmp_path / "f.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecipeError, match=r"^f\.yaml:1:\d+  "):
        build(Kernel(), Bus(Kernel(), 500_000), SimulationRequest("kiln_gantry", (), 500_000, faults=path))
