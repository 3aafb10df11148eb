"""
A whole run over the serial line while somebody else on the bus sends what looks like the drives' replies and is not:
frames of the other format with their numbers (ISO 11898-1; facts.md A1), and frames of nobody. It ends as if they were
not there.
"""

from itertools import cycle

import pytest

from choreo.errors import Exit
from choreo.frame import Frame
from choreo_sim.kernel import Kernel
from live.bench import SerialBench
from live.test_session_live import patient_trigger, run

__all__ = ["patient_trigger"]  # a fixture that is wanted here as well

MS = 1_000_000
#: Replies of the shipped dialect are on 0x120 and the node (its file, read by eye): here on every node's number.
STRANGERS = [
    frame
    for node in range(32)
    for frame in (
        Frame(0x120 + node, b"\x93\x00\x40\x00\x00", extended=True),
        Frame(0x120 + node, remote=True),
        Frame(0x120 + node, extended=True, remote=True),
        Frame(0x600 + node, bytes(8)),
    )
]


def test_strangers_end_no_run_and_are_no_replies() -> None:
    came = cycle(STRANGERS)

    def babble(bench: SerialBench) -> None:
        kernel: Kernel = bench.kernel

        def next_one(_: None) -> None:
            bench.peer.send(next(came))
            kernel.after(2 * MS, next_one)

        kernel.after(0, next_one)

    begun: list[bool] = []

    def watch(bench: SerialBench, kind: str) -> None:
        if not begun:
            begun.append(True)
            bench.realtime.call(lambda: babble(bench))

    ended = run(watch)
    assert ended.outcome.exit is Exit.DONE, ended.outcome.headline
    assert ended.of("late") == []
    assert ended.of("lost") == []
    noted = {str(record.get("frame", "")).split("#")[0] for record in ended.of("link")}
    assert {"00000120", "600"} <= noted


def test_a_stop_that_comes_through_is_still_a_foreign_stop() -> None:
    # practice.md P18: this one is no stranger's frame. 0x020 stops all (the shipped dialect's file).
    def watch(bench: SerialBench, kind: str) -> None:
        if kind == "onset":
            bench.realtime.call(lambda: bench.peer.send(Frame(0x020, b"\x61")))

    ended = run(watch)
    assert ended.outcome.exit is Exit.STOPPED
    assert ended.outcome.rule == "foreign-stop"


@pytest.mark.parametrize("disguise", [{"extended": True}, {"data": b"", "remote": True}])
def test_a_stop_of_the_other_format_is_none(disguise: dict[str, object]) -> None:
    def watch(bench: SerialBench, kind: str) -> None:
        if kind == "onset":
            frame = Frame(0x020, b"\x61")._replace(**disguise)  # type: ignore[arg-type]
            bench.realtime.call(lambda: bench.peer.send(frame))

    ended = run(watch)
    assert ended.outcome.exit is Exit.DONE, ended.outcome.headline
