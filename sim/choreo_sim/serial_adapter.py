"""
A CAN adapter on a serial line, on the device's side of a pseudo-terminal.

It speaks the ASCII line protocol of serial-line CAN adapters (one command a line, ended by a carriage return; answered
by a carriage return, or by the bell for "no"), as python-can's `slcan` interface uses it. To the simulated bus it is
the host's controller.

    S0..S8 bit rate   O open   L open to listen only   C close   V version   N serial number   F status   Z0 no times
    tIIILDD..  TIIIIIIIILDD..  data frame, 11 and 29 bits   rIIIL  RIIIIIIIIL  remote frame, 11 and 29 bits
"""

import contextlib
import os
import re
import tty

from choreo.frame import Frame
from choreo_sim.bus import Bus
from choreo_sim.realtime import RealTime

OK = b"\r"
NO = b"\a"
BIT_RATES = (10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
#: One start bit, eight data bits, one stop bit.
BITS_PER_BYTE = 10
#: Frames that the adapter holds for the bus before it says no.
QUEUE = 32
#: Bytes that it holds for a host that does not read; whole lines beyond are lost.
OUTPUT_LIMIT = 4096
RETRY_NS = 1_000_000
LONGEST_LINE = 64

_FRAME = re.compile(rb"(?:([tr])([0-7][0-9A-Fa-f]{2})|([TR])([01][0-9A-Fa-f]{7}))([0-8])((?:[0-9A-Fa-f]{2})*)")


class SerialAdapter:
    """
    Attached to `bus` and run by `realtime`; the host opens `port`.

    With `baud` the line is as slow as a real one, 10 bits a byte in each direction (practice.md P30); without, it is as
    fast as the pseudo-terminal. An adapter that was opened at another bit rate than the bus hears and sends nothing.
    `stop_answering` and `close` may be called from any thread.
    """

    def __init__(self, realtime: RealTime, bus: Bus, *, baud: int | None = None, name: str = "host") -> None:
        self.overruns = 0  # lines for the host that were lost because it did not read
        self._realtime = realtime
        self._kernel = realtime.kernel
        self._bus = bus
        self._byte_ns = 0 if baud is None else BITS_PER_BYTE * 1_000_000_000 // baud
        self._controller = bus.attach(name, self._hear, fifo=True)
        self._bit_rate = bus.bit_rate
        self._opened = False
        self._listen_only = False
        self._line = bytearray()
        self._output = bytearray()
        self._retrying = False
        self._output_free_ns = 0  # when the line to the host has sent what it was given
        self._frozen = False
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(self._slave)
        realtime.call(lambda: realtime.watch(self._master, self._read))

    def stop_answering(self) -> None:
        """From now on neither read nor write, with the plug still in."""
        self._realtime.call(self._freeze)

    def close(self) -> None:
        """Pull the plug: the host's port is gone. Idempotent."""
        self._realtime.call(self._unplug)

    # ---- from the host -----------------------------------------------------------------------------------------

    def _read(self) -> None:
        # On a paced line the bytes stay with the sender until they would have come: that is what a real line does.
        try:
            chunk = os.read(self._master, 32 if self._byte_ns else 4096)
        except BlockingIOError:
            return
        if not self._byte_ns:
            self._take(chunk)
            return
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
        for byte in chunk:
            if byte != OK[0]:
                self._line.append(byte)
            elif len(self._line) > LONGEST_LINE:
                self._line.clear()
                self._say(NO)
            else:
                line = bytes(self._line)
                self._line.clear()
                self._say(self._command(line))

    def _command(self, line: bytes) -> bytes:
        """Obey one line; what is answered."""
        code = line[:1]
        if line in (b"", b"Z0"):  # the empty line is how a host finds the beat
            return OK
        if code in b"tTrR":
            return self._transmit(line)
        if code == b"S" and not self._opened and line[1:].isdigit() and int(line[1:]) < len(BIT_RATES):
            self._bit_rate = BIT_RATES[int(line[1:])]
            return OK
        if line in (b"O", b"L"):  # hosts open twice, so a second time is no fault
            self._opened, self._listen_only = True, line == b"L"
            return OK
        if line == b"C":
            self._opened = False
            return OK
        return {b"V": b"V0101\r", b"N": b"N0001\r", b"F": b"F00\r"}.get(line, NO)

    def _transmit(self, line: bytes) -> bytes:
        found = _FRAME.fullmatch(line)
        if found is None or not self._opened or self._listen_only or self._controller.pending >= QUEUE:
            return NO
        base, base_id, extended, extended_id, length, data = found.groups()
        remote = (base or extended) in (b"r", b"R")
        if len(data) != (0 if remote else 2 * int(length)):
            return NO
        if self._bit_rate == self._bus.bit_rate:
            payload = bytes.fromhex(data.decode())
            self._controller.send(Frame(int(base_id or extended_id, 16), payload, extended is not None, remote))
        return OK

    # ---- to the host -------------------------------------------------------------------------------------------

    def _hear(self, frame: Frame, t_ns: int) -> None:
        if not self._opened or self._bit_rate != self._bus.bit_rate:
            return
        code = ("R" if frame.extended else "r") if frame.remote else ("T" if frame.extended else "t")
        id = f"{frame.id:08X}" if frame.extended else f"{frame.id:03X}"
        self._say(f"{code}{id}{len(frame.data)}{frame.data.hex().upper()}\r".encode())

    def _say(self, line: bytes) -> None:
        if not self._byte_ns:
            self._put(line)
            return
        start_ns = max(self._kernel.now_ns, self._output_free_ns)
        self._output_free_ns = start_ns + len(line) * self._byte_ns
        self._kernel.at(self._output_free_ns, self._put, line)

    def _put(self, line: bytes) -> None:
        if self._frozen or self._master < 0:
            return
        if len(self._output) + len(line) > OUTPUT_LIMIT:
            self.overruns += 1
            return
        self._output += line
        self._write()

    def _write(self) -> None:
        if self._frozen or self._master < 0:
            return
        with contextlib.suppress(BlockingIOError):
            del self._output[: os.write(self._master, self._output)]
        if self._output and not self._retrying:
            self._retrying = True
            self._kernel.after(RETRY_NS, self._retry)

    def _retry(self, _: None) -> None:
        self._retrying = False
        self._write()

    # ---- faults ------------------------------------------------------------------------------------------------

    def _freeze(self) -> None:
        self._frozen = True
        self._realtime.ignore(self._master)

    def _unplug(self) -> None:
        if self._master < 0:
            return
        self._realtime.ignore(self._master)
        self._controller.switch_off()  # it draws its power from the host
        self._opened = False
        os.close(self._master)
        os.close(self._slave)
        self._master = self._slave = -1
