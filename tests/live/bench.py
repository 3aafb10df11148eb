"""A simulated bus in real time, and the ways onto it that real programs use."""

import os
import select
import threading
import uuid
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import can

from choreo.frame import Frame
from choreo.link.live import LiveLink, open_live
from choreo_sim.bus import Bus
from choreo_sim.kernel import Kernel
from choreo_sim.realtime import RealTime
from choreo_sim.serial_adapter import SerialAdapter
from link.waiting import LONG_S

BIT_RATE = 500_000


class Bench:
    """A simulated bus with a peer on it; build on it, then run it with `running`."""

    def __init__(self, bit_rate: int = BIT_RATE) -> None:
        self.kernel = Kernel()
        self.bus = Bus(self.kernel, bit_rate)
        self.realtime = RealTime(self.kernel)
        self.heard: list[tuple[int, Frame]] = []  # by the peer, with the simulation's time
        self.was_heard = threading.Semaphore(0)
        self.peer = self.bus.attach("peer", self._hear, fifo=True)

    def _hear(self, frame: Frame, t_ns: int) -> None:
        self.heard.append((t_ns, frame))
        self.was_heard.release()

    def hears(self, count: int) -> list[Frame]:
        """Wait until the peer has heard `count` more frames; the last `count`."""
        for _ in range(count):
            assert self.was_heard.acquire(timeout=LONG_S), f"heard only {self.heard}"
        return [frame for _, frame in self.heard[-count:]]

    def says(self, *frames: Frame) -> None:
        """Let the peer send frames in this order, and wait until they have left."""
        left = threading.Semaphore(0)

        def send() -> None:
            self.peer.on_sent = lambda frame, t_ns: left.release()
            for frame in frames:
                self.peer.send(frame)

        self.realtime.call(send)
        for _ in frames:
            assert left.acquire(timeout=LONG_S)

    @contextmanager
    def running(self) -> Iterator[RealTime]:
        try:
            with self.realtime.in_thread() as realtime:
                yield realtime
        finally:
            self.realtime.close()


class SerialBench(Bench):
    """The same with a serial-line adapter, and a live link of python-can's `slcan` driver on its port."""

    def __init__(self, bit_rate: int = BIT_RATE, *, baud: int | None = None) -> None:
        super().__init__(bit_rate)
        self.said: list[str] = []
        self.was_said = threading.Semaphore(0)
        self._heard_aloud = 0
        self.adapter = SerialAdapter(self.realtime, self.bus, baud=baud, say=self._say)

    def _say(self, text: str) -> None:
        self.said.append(text)
        self.was_said.release()

    def says_aloud(self) -> str:
        """Wait until the adapter has told one thing more; that."""
        assert self.was_said.acquire(timeout=LONG_S), f"said only {self.said}"
        self._heard_aloud += 1
        return self.said[self._heard_aloud - 1]

    @contextmanager
    def linked(self) -> Iterator[LiveLink]:
        with ExitStack() as stack:
            stack.enter_context(self.running())
            stack.callback(self.adapter.close)
            link = open_live(f"slcan:{self.adapter.port}", self.bus.bit_rate)
            stack.callback(link.close)
            yield link


class VirtualBridge:
    """A simulated bus and one of python-can's virtual ones made into one."""

    def __init__(self, bench: Bench) -> None:
        self.channel = f"bridge {uuid.uuid4()}"
        self._bench = bench
        self._virtual = can.Bus(interface="virtual", channel=self.channel)
        self._ends = threading.Event()
        self._controller = bench.bus.attach("bridge", self._hear, fifo=True)
        self._reader = threading.Thread(target=self._read, daemon=True)

    @contextmanager
    def open(self) -> Iterator[str]:
        """The name of the virtual channel, while frames pass."""
        self._reader.start()
        try:
            yield self.channel
        finally:
            self._ends.set()
            self._reader.join()
            self._bench.realtime.call(self._controller.switch_off)
            self._virtual.shutdown()

    def _hear(self, frame: Frame, t_ns: int) -> None:
        self._virtual.send(
            can.Message(arbitration_id=frame.id, data=frame.data, is_extended_id=frame.extended), timeout=LONG_S
        )

    def _read(self) -> None:
        while not self._ends.is_set():
            message = self._virtual.recv(0.02)
            if message is not None:
                frame = Frame(
                    message.arbitration_id, bytes(message.data), message.is_extended_id, message.is_remote_frame
                )
                self._bench.realtime.call(lambda frame=frame: self._controller.send(frame))


class RawHost:
    """The host's end of the line, byte by byte."""

    def __init__(self, port: str) -> None:
        self._descriptor = os.open(port, os.O_RDWR | os.O_NOCTTY)

    def write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._descriptor, data) :]

    def read(self, count: int) -> bytes:
        """The next `count` bytes."""
        data = b""
        while len(data) < count:
            readable, _, _ = select.select([self._descriptor], [], [], LONG_S)
            assert readable, f"only {data!r} came"
            more = os.read(self._descriptor, count - len(data))
            if not more:
                raise EOFError("the other end has hung up")
            data += more
        return data

    def ask(self, line: bytes, answer: bytes) -> bytes:
        """Send a line; what comes back, as long as the `answer` that is hoped for."""
        self.write(line)
        return self.read(len(answer))

    def close(self) -> None:
        if self._descriptor >= 0:
            os.close(self._descriptor)
        self._descriptor = -1
