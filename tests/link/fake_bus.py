"""python-can buses that do what a test wants: hang, raise, echo, babble, with and without a file descriptor."""

import os
import queue
import threading
from typing import Any

import can


class FakeBus(can.BusABC):
    """A bus without a file descriptor. What `feed` is given is received: a message, or an exception that is raised."""

    def __init__(self, *, echoes: bool = False) -> None:
        self.sent: list[can.Message] = []
        self.was_sent = threading.Semaphore(0)  # released by each `send`
        self.echoes_at_once = echoes
        self.send_raises: Exception | None = None
        self.shutdown_raises: Exception | None = None
        self.may_send = threading.Event()  # while cleared, `send` hangs
        self.may_send.set()
        self.ended: list[str] = []  # the link's threads that were alive when the bus was ended
        self._queue: queue.Queue[can.Message | Exception] = queue.Queue()
        super().__init__(channel="fake")

    def feed(self, *items: can.Message | Exception) -> None:
        for item in items:
            self._queue.put(item)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        self.sent.append(msg)
        self.was_sent.release()
        self.may_send.wait()
        if self.send_raises is not None:
            raise self.send_raises
        if self.echoes_at_once:
            self.feed(echo_of(msg))

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        try:
            item = self._queue.get(timeout=timeout) if timeout else self._queue.get_nowait()
        except queue.Empty:
            return None, False
        if isinstance(item, Exception):
            raise item
        return item, True

    def shutdown(self) -> None:
        super().shutdown()
        self.ended = [thread.name for thread in threading.enumerate() if thread.name == "choreo link reader"]
        if self.shutdown_raises is not None:
            raise self.shutdown_raises


class DescriptorBus(FakeBus):
    """The same with a file descriptor: a pipe that holds one byte for each thing to be received."""

    def __init__(self, **options: Any) -> None:
        self._readable, self._writable = os.pipe()
        os.set_blocking(self._readable, False)
        super().__init__(**options)

    def feed(self, *items: can.Message | Exception) -> None:
        for item in items:
            super().feed(item)
            os.write(self._writable, b"!")

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        assert timeout == 0, "a bus with a descriptor is drained without waiting"
        received = super()._recv_internal(timeout)
        if received[0] is not None:
            os.read(self._readable, 1)
        return received

    def fileno(self) -> int:
        return self._readable

    def shutdown(self) -> None:
        super().shutdown()
        os.close(self._readable)
        os.close(self._writable)


class DeadLineBus(DescriptorBus):
    """Its descriptor says that there is something, and `recv` finds nothing: a peer that is gone without a word."""

    def __init__(self) -> None:
        super().__init__()
        os.write(self._writable, b"!")


class BabblingBus(DescriptorBus):
    """It always has one more frame; `after` what was received is called with how many that are."""

    def __init__(self, after: Any) -> None:
        self.given = 0
        self._after = after
        super().__init__()
        os.write(self._writable, b"!")

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        self.given += 1
        self._after(self.given)
        return message(0x120 + self.given % 8), True


def message(id: int, data: bytes = b"", **options: Any) -> can.Message:
    """A classical data frame of another node's, unless `options` say otherwise."""
    return can.Message(arbitration_id=id, data=data, is_extended_id=options.pop("is_extended_id", False), **options)


def echo_of(sent: can.Message) -> can.Message:
    """A sent message as it comes back, marked as the driver's own."""
    return can.Message(
        arbitration_id=sent.arbitration_id,
        data=sent.data,
        is_extended_id=sent.is_extended_id,
        is_remote_frame=sent.is_remote_frame,
        is_rx=False,
    )
