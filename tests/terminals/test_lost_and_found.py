"""
What happens to a real run when something happens to its adapter, its bus, or to the process itself.

The documented outcome each time (design of the exit codes; practice.md P6, P7, P12, P13 to P18, common practice, no
source): exit code, rule, a journal with its end, no traceback. Frames of the shipped dialect, read from its file by
eye: 0x020 stops all, 0x023 stops node 3, 0x040 starts, 0x143 asks node 3, 0x123 is its reply.
"""

import re
import resource
import shutil
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import can
import pytest

from terminals.terminals import LOOK_S, PATIENCE_S, Journal, Terminal, machine, moving, once, run, second_host

STOP_ALL = 0x020


def ended(running: Terminal, journal: Journal) -> tuple[int, str]:
    """Exit code and rule of a run that was stopped, with a whole journal and without a traceback."""
    code = running.end()
    assert "Traceback" not in running.text
    assert "a bug in choreo" not in running.text
    journal.whole()
    stopping = journal.of("stopping")
    assert journal.of("end")[0]["exit"] == code
    return code, stopping[0]["rule"] if stopping else ""


def test_it_finishes_and_says_how_it_compares_with_its_rehearsal(here):
    with machine(here) as sim, run(here, recipe=once(here)) as (running, journal):
        code, rule = ended(running, journal)
        assert (code, rule) == (0, ""), running.text
        assert re.search(r"Against the rehearsal: \d+ steps took", running.text), running.text
        assert journal.of("operator")[0]["what"] == "armed"
        assert journal.records[0]["mode"] == "live"
        assert len(journal.of("trigger")) == 2
        assert {record["outcome"] for record in journal.of("step_end")} == {"done"}
        sim.send(signal.SIGTERM)
        assert sim.end() == 0, sim.text


def test_an_adapter_that_is_unplugged_in_mid_move(here):
    with machine(here) as sim, run(here) as (running, journal):
        journal.until(moving)
        sim.send(signal.SIGTERM)
        code, rule = ended(running, journal)
    assert (code, rule) == (4, "adapter-lost"), running.text
    assert {record["axis"] for record in journal.of("unproven")} == {"near_slide", "far_slide"}
    assert journal.of("at_rest") == []
    assert "could NOT be told to stop" in running.text  # the guardian has tried too


@pytest.mark.campaign
def test_an_adapter_whose_process_is_killed(here):
    with machine(here) as sim, run(here) as (running, journal):
        journal.until(moving)
        sim.send(signal.SIGKILL)
        code, rule = ended(running, journal)
    assert (code, rule) == (4, "adapter-lost"), running.text
    assert {record["axis"] for record in journal.of("unproven")} == {"near_slide", "far_slide"}


def test_an_adapter_that_answers_no_more(here):
    with machine(here) as sim, run(here) as (running, journal):
        journal.until(moving)
        sim.send(signal.SIGSTOP)
        code, rule = ended(running, journal)
    assert code in (3, 4), running.text
    assert rule in ("bus-lost", "node-silent", "adapter-lost"), running.text
    assert {record["axis"] for record in journal.of("unproven")} == {"near_slide", "far_slide"}


def test_ctrl_c_in_mid_move_and_again_while_it_stops(here):
    with machine(here, adapters=2), second_host(here) as other, run(here) as (running, journal):
        journal.until(moving)
        running.send(signal.SIGINT)
        journal.until(lambda journal: bool(journal.of("stopping")))
        running.send(signal.SIGINT)
        running.send(signal.SIGTERM)
        code, rule = ended(running, journal)
        heard = drained(other)
    assert (code, rule) == (130, "operator"), running.text
    assert {record["axis"] for record in journal.of("at_rest")} == {"near_slide", "far_slide"}
    assert_stopped_and_nothing_after(heard)


@pytest.mark.parametrize("number", [signal.SIGHUP, pytest.param(signal.SIGTSTP, marks=pytest.mark.campaign)])
def test_every_signal_that_asks_for_an_end_is_a_stop(here, number):
    with machine(here), run(here) as (running, journal):
        journal.until(moving)
        running.send(number)
        code, rule = ended(running, journal)
    assert (code, rule) == (130, "operator"), running.text
    assert {record["axis"] for record in journal.of("at_rest")} == {"near_slide", "far_slide"}


def test_after_a_kill_the_guardian_stops_every_node(here):
    with machine(here, adapters=2), second_host(here) as other, run(here) as (running, journal):
        journal.until(moving)
        while other.recv(0) is not None:  # what was said before
            pass
        running.send(signal.SIGKILL)
        running.process.wait(PATIENCE_S)
        heard = until(other, lambda message: message.arbitration_id == 0x029)
        stops = {message.arbitration_id for message in heard} & {0x020, 0x023, 0x029}
        assert stops == {0x020, 0x023, 0x029}
        running.until("guardian")
    assert (here / "out" / "guardian.json").exists()


@pytest.mark.campaign
def test_a_run_that_was_halted_goes_on_to_a_stop(here):
    with machine(here), run(here) as (running, journal):
        journal.until(moving)
        running.send(signal.SIGSTOP)
        wait_for(here / "out" / "guardian.json")
        running.send(signal.SIGCONT)
        code, rule = ended(running, journal)
    assert (code, rule) in ((3, "held-up"), (4, "adapter-lost")), running.text
    assert "the machine was told to stop" in running.text


def test_a_second_host_that_commands_ends_the_run(here):
    with machine(here, adapters=2), second_host(here) as other, run(here) as (running, journal):
        journal.until(moving)
        other.send(can.Message(arbitration_id=0x143, data=b"\x31\x00", is_extended_id=False))  # takes its power
        code, rule = ended(running, journal)
    assert (code, rule) == (3, "foreign-command"), running.text
    assert "0x143" in running.text or "143#31.00" in running.text


def test_a_second_host_that_stops_ends_the_run(here):
    with machine(here, adapters=2), second_host(here) as other, run(here) as (running, journal):
        journal.until(moving)
        other.send(can.Message(arbitration_id=STOP_ALL, data=b"\x61", is_extended_id=False))
        code, rule = ended(running, journal)
    assert code == 3, running.text
    assert rule.startswith("foreign"), running.text
    assert {record["axis"] for record in journal.of("at_rest")} == {"near_slide", "far_slide"}


def test_a_second_host_is_found_before_anything_is_sent(here):
    with machine(here, adapters=2), second_host(here) as other:
        question = can.Message(arbitration_id=0x143, data=b"\x12", is_extended_id=False)
        with talking(other, question, every_s=0.02), run(here) as (running, _):
            assert running.end() == 2
    assert "somebody else on the bus" in running.text
    assert "Traceback" not in running.text


def test_foreign_frames_disturb_nothing(here):
    with machine(here, adapters=2), second_host(here) as other, run(here, recipe=once(here)) as (running, journal):
        journal.until(moving)
        with talking(other, can.Message(arbitration_id=0x7F0, data=bytes(8), is_extended_id=False), every_s=0.003):
            code, rule = ended(running, journal)
    assert (code, rule) == (0, ""), running.text


@pytest.mark.campaign
def test_foreign_frames_as_many_as_go_end_in_nothing_worse_than_a_stop(here):
    """More than this computer keeps up with: whatever cannot be watched is stopped."""
    with machine(here, adapters=2), second_host(here) as other, run(here) as (running, journal):
        journal.until(moving)
        with talking(other, can.Message(arbitration_id=0x7F0, data=bytes(8), is_extended_id=False), every_s=0):
            code, rule = ended(running, journal)
    assert (code, rule) == (0, "") or code in (3, 4), running.text
    ends = {record["axis"] for record in (*journal.of("at_rest"), *journal.of("unproven"))}
    assert code == 0 or ends == {"near_slide", "far_slide"}


def test_forged_replies_are_found_out(here):
    """Replies on the identifier of node 3 that another node sends contradict the true ones (P36)."""
    with machine(here, adapters=2), second_host(here) as other, run(here) as (running, journal):
        journal.until(moving)
        forged = can.Message(arbitration_id=0x123, data=b"\x92\x00\x00\x00\x00", is_extended_id=False)
        with talking(other, forged, every_s=0.002):
            code, rule = ended(running, journal)
    assert code == 3, running.text
    assert rule in ("two-nodes", "tracking-deviation", "position-jump", "contradiction"), (rule, running.text)


@contextmanager
def talking(bus: can.BusABC, message: can.Message, *, every_s: float) -> Iterator[None]:
    """While inside, the second host says this again and again, and hears what the others say."""
    ends = threading.Event()

    def talk() -> None:
        while not ends.wait(every_s) if every_s else not ends.is_set():
            bus.send(message)
            while bus.recv(0) is not None:
                pass

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield
    finally:
        ends.set()
        thread.join()


def wait_for(file: Path) -> None:
    """Until it is there, and something in it."""
    until = time.monotonic() + PATIENCE_S
    while not file.exists() or not file.stat().st_size:
        assert time.monotonic() < until, f"{file} never came"
        time.sleep(LOOK_S)


def drained(bus: can.BusABC) -> list[can.Message]:
    """What has come."""
    found = []
    while (message := bus.recv(0.1)) is not None:
        found.append(message)
    return found


def until(bus: can.BusABC, there) -> list[can.Message]:
    """What comes, up to the message that is waited for."""
    found = []
    while (message := bus.recv(PATIENCE_S)) is not None:
        found.append(message)
        if there(message):
            return found
    raise AssertionError(f"it never came; the last: {found[-5:]}")


def assert_stopped_and_nothing_after(heard: list[can.Message]) -> None:
    """Every node was told to stop, and no start, load or move follows the last stop."""
    ids = [message.arbitration_id for message in heard]
    assert {0x020, 0x023, 0x029} <= set(ids)
    last = max(place for place, id in enumerate(ids) if 0x020 <= id < 0x040)
    after = heard[last + 1 :]
    assert not [message for message in after if message.arbitration_id == 0x040]
    moving = [m for m in after if 0x140 < m.arbitration_id < 0x160 and m.data[:1] in (b"\x33", b"\x41", b"\x42")]
    assert not moving


def test_a_disk_that_is_full_in_mid_move_stops_the_axes_and_proves_it(here):
    # Neither journal nor trace can be written any more, as setrlimit(2) makes it.
    with machine(here) as sim, run(here) as (running, journal):
        journal.until(moving)
        room = max(path.stat().st_size for path in (journal.path, here / "out" / "trace.log")) + 100
        resource.prlimit(running.process.pid, resource.RLIMIT_FSIZE, (room, room))
        assert running.end() == 3, running.text
        sim.send(signal.SIGTERM)
        sim.end()
    assert "a bug in choreo" not in running.text
    assert "the journal cannot be written any more" in running.text
    assert re.findall(r"(\w+): at rest, three fresh, equal readings", running.text) == ["near_slide", "far_slide"]


@pytest.mark.campaign
def test_a_folder_that_is_deleted_in_mid_move_does_not_hide_how_it_ended(here):
    with machine(here), run(here) as (running, journal):
        journal.until(moving)
        shutil.rmtree(here / "out")
        running.send(signal.SIGTERM)
        assert running.end() == 130, running.text
    assert re.findall(r"(\w+): at rest, three fresh, equal readings", running.text) == ["near_slide", "far_slide"]


@pytest.mark.campaign
def test_a_second_run_into_the_same_folder_leaves_the_record_of_the_first_alone(here):
    with machine(here), run(here) as (running, journal):
        journal.until(moving)
        with run(here) as (second, _):
            assert second.end() == 2, second.text
        assert "never overwritten" in second.text
        running.send(signal.SIGTERM)
        assert ended(running, journal) == (130, "operator")
