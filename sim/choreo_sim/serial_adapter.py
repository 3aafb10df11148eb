"""
A CAN adapter on a serial line, on the device's side of a pseudo-terminal.

It speaks the ASCII line protocol of serial-line CAN adapters (one command a line, ended by a carriage return; answered
by a carriage return, or by the bell for "no"), as python-can's `slcan` interface uses it. To the simulated bus it is
the host's controller. Frames as lines: `serial_lines.py`; what the host is sent, and what it loses: `serial_output.py`.

    S0..S8 bit rate   O open   L open to listen only   C close   V version   N serial number   F status   Z0 no times

Hosts come and go: the port stays, and whoever opens it next finds an adapter that knows nothing of the last one.
"""

import os
import tty
from collections.abc import Callable

from choreo.frame import Frame
from choreo_sim.bus import Bus
from choreo_sim.controller import ErrorState
from choreo_sim.realtime import RealTime
from choreo_sim.serial_lines import frame_of_line, line_of_frame
from choreo_sim.serial_output import SerialOutput

OK = b"\r"
NO = b"\a"
BIT_RATES = (10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
#: One start bit, eight data bits, one stop bit.
BITS_PER_BYTE = 10
#: Frames that the adapter holds for the bus before it says no.
QUEUE = 32
LONGEST_LINE = 64
CHUNK, PACED_CHUNK = 4096, 32

Say = Callable[[str], object]


class SerialAdapter:
    """
    Attached to `bus` and run by `realtime`; the host opens `port`.

    With `baud` the line is as slow as a real one, 10 bits a byte in each direction (practice.md P30); without, it is as
    fast as the pseudo-terminal. An adapter that was opened at another bit rate than the bus hears and sends nothing.
    `say` is told what whoever looks at the bus could not know. `stop_answering`, `lose_adapter` and `close` may be
    called from any thread.
    """

    def __init__(
        self,
        realtime: RealTime,
        bus: Bus,
        *,
        baud: int | None = None,
        name: str = "host",
        say: Say = lambda text: None,
    ) -> None:
        self.name = name
        self.refused = 0  # frames that it had no room for, because the bus took none
        self._tell = say
        self._realtime = realtime
        self._kernel = realtime.kernel
        self._bus = bus
        self._byte_ns = 0 if baud is None else BITS_PER_BYTE * 1_000_000_000 // baud
        self.host = bus.attach(name, self._hear, fifo=True)
        self.host.on_state = self._state_changed
        self._bit_rate = bus.bit_rate
        self._opened = False
        self._listen_only = False
        self._line = b""  # what has come of a line that is not whole yet
        self._crowded = False  # it has said no to a frame since the channel was opened
        self._frozen = False
        # The other end is held open while no host has it: then there is something to wait for. A host's first word ends
        # that, and its leaving is known by the end of file.
        self._master, self._other = os.openpty()
        tty.setraw(self._other)  # which stays so for every host to come, as long as this end is open
        self.port = os.ttyname(self._other)
        os.set_blocking(self._master, False)
        self._output = SerialOutput(realtime, self._master, self._byte_ns, self._say)
        realtime.call(lambda: realtime.watch(self._master, self._read))

    @property
    def overruns(self) -> int:
        """Lines for the host that were lost because it did not read."""
        return self._output.lost

    def stop_answering(self) -> None:
        """From now on neither read nor write, with the plug still in."""
        self._realtime.call(self._freeze)

    def lose_adapter(self, reason: str, *, its_frames_leave: bool = False) -> None:
        """The plug is pulled; with `its_frames_leave` the adapter keeps its power, and what it holds still leaves."""
        self._realtime.call(lambda: self._unplug(keeps_power=its_frames_leave))

    def close(self) -> None:
        """Pull the plug: the host's port is gone. Idempotent."""
        self._realtime.call(self._unplug)

    # ---- from the host -----------------------------------------------------------------------------------------

    def _read(self) -> None:
        # On a paced line the bytes stay with the sender until they would have come: that is what a real line does.
        try:
            chunk = os.read(self._master, PACED_CHUNK if self._byte_ns else CHUNK)
        except BlockingIOError:
            return
        except OSError:  # nobody has the port open; what they had written before has been read
            chunk = b""
        if not chunk:
            self._nobody()
            return
        if self._other >= 0:
            os.close(self._other)
            self._other = -1
            self._output.attended = True
        if self._byte_ns:
            self._take_in_time(chunk)
        else:
            self._take(chunk)

    def _nobody(self) -> None:
        """Whoever had the port open has closed it or has died: the next one must find nothing of theirs."""
        try:
            self._other = os.open(self.port, os.O_RDWR | os.O_NOCTTY)
        except OSError:
            self._unplug()
            return
        self._line = b""
        self._output.forget(self._other)
        if self._opened:
            self._opened = False
            self._say("the host went away without closing the channel")

    def _take_in_time(self, chunk: bytes) -> None:
        self._realtime.ignore(self._master)
        came = 0
        for part in chunk.splitlines(keepends=True):
            came += len(part)
            self._kernel.after(came * self._byte_ns, self._take, part)
        self._kernel.after(came * self._byte_ns, self._listen)

    def _listen(self, _: None) -> None:
        if self._master >= 0 and not self._frozen:
            self._realtime.watch(self._master, self._read)

    def _take(self, chunk: bytes) -> None:
        *lines, rest = (self._line + chunk).split(OK)
        self._line = rest[: LONGEST_LINE + 1]  # noise may never bring the end of a line
        for line in lines:
            answer = self._command(line) if len(line) <= LONGEST_LINE else NO
            if answer is OK:
                self._output.soon(OK)
            else:
                self._output.put(answer)

    def _command(self, line: bytes) -> bytes:
        """Obey one line; what is answered."""
        code = line[:1]
        if code and code in b"tTrR":
            return self._transmit(line)
        if line in (b"", b"Z0"):  # the empty line is how a host finds the beat
            return OK
        if code == b"S" and not self._opened and line[1:].isdigit() and int(line[1:]) < len(BIT_RATES):
            self._bit_rate = BIT_RATES[int(line[1:])]
            return OK
        if line in (b"O", b"L"):
            self._open(listen_only=line == b"L")
            return OK
        if line == b"C":
            if self._opened:
                self._say("the host closed the channel")
            self._opened = False
            return OK
        return {b"V": b"V0101\r", b"N": b"N0001\r", b"F": b"F00\r"}.get(line, NO)

    def _open(self, *, listen_only: bool) -> None:
        """Hosts open twice, so a second time is no fault."""
        if self._opened and listen_only is self._listen_only:
            return
        self._opened, self._listen_only, self._crowded = True, listen_only, False
        if self.host.state is ErrorState.BUS_OFF:
            self.host.recover()
        only = ", to listen only" if listen_only else ""
        if self._bit_rate == self._bus.bit_rate:
            self._say(f"the host opened the channel at {kbit(self._bit_rate)}{only}")
        else:
            self._say(
                f"WRONG BIT RATE: the host opened the channel at {kbit(self._bit_rate)}{only}, and the bus has "
                f"{kbit(self._bus.bit_rate)}: it hears nothing, and nobody hears it"
            )

    def _transmit(self, line: bytes) -> bytes:
        frame = frame_of_line(line)
        if frame is None or not self._opened or self._listen_only:
            return NO
        if self.host.pending >= QUEUE:
            self.refused += 1
            if not self._crowded:
                self._crowded = True
                self._say(f"{QUEUE} frames wait for the bus: it says no to more")
            return NO
        if self._bit_rate == self._bus.bit_rate:
            self.host.send(frame)
        return OK

    # ---- to the host -------------------------------------------------------------------------------------------

    def _hear(self, frame: Frame, t_ns: int) -> None:
        if self._opened and self._bit_rate == self._bus.bit_rate:
            self._output.put(line_of_frame(frame) + OK)

    def _say(self, text: str) -> None:
        self._tell(f"{self.name}: {text}")

    def _state_changed(self, what: str, t_ns: int) -> None:
        self._tell(f"adapter {what}")

    # ---- faults ------------------------------------------------------------------------------------------------

    def _freeze(self) -> None:
        self._frozen = self._output.frozen = True
        self._realtime.ignore(self._master)
        self._output.rest()

    def _unplug(self, *, keeps_power: bool = False) -> None:
        if self._master < 0:
            return
        self._realtime.ignore(self._master)
        self._output.close()
        if not keeps_power:
            self.host.switch_off()  # it draws its power from the host
        self._opened = False
        os.close(self._master)
        if self._other >= 0:
            os.close(self._other)
        self._master = self._other = -1


def kbit(bit_rate: int) -> str:
    """A bit rate in words."""
    return f"{bit_rate / 1000:g} kbit/s"
