"""Real signals to a real program that waits on a live link over a pseudo-terminal."""

import os
import signal
import subprocess
import sys
from pathlib import Path

from choreo.errors import Exit
from choreo.frame import Frame
from link.waiting import LONG_S
from live.bench import SerialBench

TESTS = Path(__file__).parents[1]


def test_every_signal_ends_the_wait_at_once_and_none_kills() -> None:
    bench = SerialBench()
    with bench.running():
        program = subprocess.Popen(
            [sys.executable, "-m", "live.signalled", f"slcan:{bench.adapter.port}"],
            env={**os.environ, "PYTHONPATH": os.pathsep.join([str(TESTS), *sys.path])},
            stdout=subprocess.PIPE,
            text=True,
        )
        assert program.stdout is not None
        try:
            assert program.stdout.readline() == "waiting\n"
            for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGINT", "SIGINT"):
                # The program waits for a minute; each line comes because the signal ended that wait.
                program.send_signal(getattr(signal, name))
                assert program.stdout.readline() == f"{name}\n"
            bench.says(Frame(0x12B, b"\x92"))
            assert program.wait(LONG_S) == Exit.OPERATOR
        finally:
            program.kill()
            program.wait()
            program.stdout.close()
            bench.adapter.close()
