"""
The live link through python-can's own `slcan` driver and a pseudo-terminal: the way it works, and the ways it breaks.

P numbers are practice.md (common practice, no source).
"""

import threading

import pytest

from choreo.frame import Frame
from choreo.link.port import AdapterLost, Confirmed, Interrupt
from choreo.link.simulated import run_by_hand
from link.waiting import LONG_S, bits, in_thread, receive, receive_many
from live.bench import SerialBench

MS = 1_000_000


def test_frames_go_out_over_the_line_and_come_back() -> None:
    bench = SerialBench()
    bench.peer.on_frame = lambda frame, t_ns: bench.peer.send(Frame(frame.id - 0x20, b"\x92" + frame.data))
    with bench.linked() as link:
        for count in range(50):
            link.submit(Frame(0x14B, bytes([count])))
            assert bits([receive(link)]) == [(0x12B, bytes([0x92, count]), False, False)]


def test_the_driver_does_not_wait_by_itself() -> None:
    # By default it sleeps for a millisecond in each `recv(0)` that finds nothing (python-can 4.6.1).
    bench = SerialBench()
    with bench.linked() as link:
        assert link._bus.serialPortOrig.timeout == 0


def test_more_frames_than_the_line_holds_arrive_in_order() -> None:
    bench = SerialBench()
    with bench.linked() as link:
        # Paced by the bus, which a burst would outrun: a real adapter has a queue of its own and no more.
        for count in range(0, 400, 8):
            for offset in range(8):
                link.submit(Frame(0x14B, (count + offset).to_bytes(2, "big")), confirm=offset == 7)
            bench.hears(8)
            assert isinstance(receive(link), Confirmed)
        assert [frame.data for _, frame in bench.heard] == [count.to_bytes(2, "big") for count in range(400)]


def test_an_interrupt_ends_a_wait_for_a_peer_that_stopped_answering() -> None:
    bench = SerialBench()
    with bench.linked() as link:
        bench.adapter.stop_answering()
        link.submit(Frame(0x14B, b"\x12"))
        poster = in_thread(lambda: link.post(Interrupt("a key")))
        assert receive(link) == Interrupt("a key")
        poster.join()


def test_a_peer_that_stopped_answering_is_silence_and_no_error() -> None:
    # So the session must tell from the nodes' replies, never from `send`.
    bench = SerialBench()
    with bench.linked() as link:
        bench.adapter.stop_answering()
        link.submit(Frame(0x14B, b"\x12"), confirm=True)
        assert receive(link) == Confirmed(Frame(0x14B, b"\x12"), pytest.approx(link.now_ns(), abs=30e9))
        deadline = link.now_ns() + 20 * MS
        assert run_by_hand(link.receive_until(deadline)) is None
        assert link.now_ns() >= deadline
        assert bench.heard == []


def test_a_peer_that_pulls_the_plug_is_a_lost_adapter() -> None:
    bench = SerialBench()
    with bench.linked() as link:
        link.submit(Frame(0x14B, b"\x12"))
        bench.hears(1)
        puller = in_thread(bench.adapter.close)
        got = receive(link)
        assert isinstance(got, AdapterLost)
        assert receive(link, 5 * MS) is None
        puller.join()


def test_a_peer_that_stops_reading_never_blocks_submit_and_is_found_out() -> None:
    bench = SerialBench()
    with bench.linked() as link:
        bench.adapter.stop_answering()
        frames = [Frame(0x14B, count.to_bytes(8, "big")) for count in range(4000)]
        submitted = threading.Event()

        def submit() -> None:
            for frame in frames:
                link.submit(frame)
            submitted.set()

        in_thread(submit)
        assert submitted.wait(LONG_S)
        got = receive(link)
        assert isinstance(got, AdapterLost)
        assert "14B#" in got.reason
        # About a thousand frames fit into the line (libraries: python-can); the rest can still be taken back.
        taken = link.withdraw(lambda frame: True)
        assert 1000 < len(taken) < 4000
        assert taken == frames[-len(taken) :]


def test_a_plug_pulled_in_the_middle_of_a_burst_leaves_no_frame_in_doubt_unsaid() -> None:
    bench = SerialBench(baud=115_200)
    with bench.linked() as link:
        for count in range(4000):
            link.submit(Frame(0x14B, count.to_bytes(8, "big")))
        bench.hears(3)
        bench.adapter.close()
        got = receive(link)
        while not isinstance(got, AdapterLost):
            got = receive(link)
        heard = [int.from_bytes(frame.data, "big") for _, frame in bench.heard]
        assert heard == list(range(len(heard)))
        assert link.unsent() > 0
        assert len(heard) + link.unsent() <= 4000


def test_frames_of_every_kind_arrive_as_they_were_sent() -> None:
    bench = SerialBench()
    kinds = [Frame(0, b""), Frame(0x7FF, bytes(range(8))), Frame(0x1FFFFFFF, b"\x01", True), Frame(0x123, remote=True)]
    with bench.linked() as link:
        bench.says(*kinds)
        assert bits(receive_many(link, 4)) == [frame[:4] for frame in kinds]
        for frame in kinds:
            link.submit(frame)
        assert [frame[:4] for frame in bench.hears(4)] == [frame[:4] for frame in kinds]
