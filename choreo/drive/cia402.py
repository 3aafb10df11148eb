"""
Drives of CiA 402 over SDO: position, status, and what a drive sends unasked. The other verbs are refused for now.

An answer counts only when its index and sub-index are those of the request: a late answer to an earlier request must
not be taken for this one's (practice.md P12).
"""

from collections.abc import Callable, Mapping
from typing import NoReturn

from choreo.drive.conversation import Ask, Conversation, Tell
from choreo.drive.verbs import DriveEvent, Latch, ReadCount, Status
from choreo.errors import RecipeError, RefusedByDrive
from choreo.frame import Frame
from choreo.wire.cia402 import Cia402Dialect, PowerState, power_state
from choreo.wire.cia402.dialect import HEARTBEAT_BASE
from choreo.wire.cia402.emcy import EMCY_BASE, error_text
from choreo.wire.cia402.objects import ERROR_CODE, POSITION_ACTUAL, STATUSWORD, DriveObject
from choreo.wire.cia402.pdo import TPDO1_BASE
from choreo.wire.cia402.sdo import ANSWER_BASE, Abort, UploadAnswer, expedited_head, read_answer, upload_request
from choreo.wire.cia402.states import FAULTED, POWERED, TARGET_REACHED
from choreo.wire.words import Setting

#: How often a read may be repeated.
AGAIN = 2

#: A drive in fault that reports no error code: the standard's generic error (facts.md B6).
_GENERIC_ERROR = 0x1000


class Cia402Drive:
    """A `choreo.drive.verbs.Drive`; a verb that is not offered yet raises RecipeError when it is asked for."""

    def __init__(self, dialect: Cia402Dialect, node: int) -> None:
        first, last = dialect.node_range
        if not first <= node <= last:
            what = f"node {node} is outside the nodes of CiA 301, {first} to {last}"
            raise RecipeError(what, rule="node-range", node=node, help="Set the node number on the drive first.")
        self.node = node
        self.dialect = dialect.name
        self.lane = ANSWER_BASE + node
        self.event_ids: tuple[int, ...] = (EMCY_BASE + node, TPDO1_BASE + node, HEARTBEAT_BASE + node)
        self.broadcast_starts = True  # SYNC
        self.can_latch = dialect.can_latch
        self.own_count: ReadCount | None = None  # CiA 301 counts no frames
        self.speed_is_set = False
        self._dialect = dialect
        self._poll = self._upload(POSITION_ACTUAL)

    def poll_position(self) -> Ask:
        """The position actual value, in counts; always the same `Ask`."""
        return self._poll

    def read_position(self) -> Conversation[int]:
        """The position actual value, in counts."""
        position: int = (yield self._poll).value
        return position

    def status(self) -> Conversation[Status]:
        """
        From the statusword. `moving` is an enabled drive whose target is not reached (bit 10, profile position mode:
        facts.md C6). In fault the error code is read as well.
        """
        word: int = (yield self._upload(STATUSWORD)).value
        state = power_state(word)
        fault = 0
        if state in FAULTED:
            code: int = (yield self._upload(ERROR_CODE)).value
            fault = code or _GENERIC_ERROR
        reached = bool(word & TARGET_REACHED)
        return Status(
            enabled=state in POWERED,
            moving=state in POWERED and not reached,
            fault=fault,
            in_position=reached if state is PowerState.OPERATION_ENABLED else None,
            fault_text=error_text(fault) if fault else "",
        )

    def _upload(self, entry: DriveObject) -> Ask:
        """The reading of one object as a single expedited transfer."""
        what = f"read {entry.name} ({entry.place})"
        request = upload_request(self.node, entry.index, entry.subindex)
        return Ask(request, self.lane, self._answer_reader(entry, what), what, AGAIN)

    def _answer_reader(self, entry: DriveObject, what: str) -> Callable[[Frame], int | None]:
        lane, node = self.lane, self.node
        usual, convert, signed = expedited_head(entry.index, entry.subindex, entry.size), int.from_bytes, entry.signed
        end = 4 + entry.size

        def decode(frame: Frame) -> int | None:
            if frame.id != lane or frame.extended or frame.remote:
                return None
            data = frame.data
            if len(data) == 8 and data[:4] == usual:  # the hot path of polling
                return convert(data[4:end], "little", signed=signed)
            answer = read_answer(frame.data)
            if answer is None or (answer.index, answer.subindex) != (entry.index, entry.subindex):
                return None
            if isinstance(answer, Abort):
                why = f"{answer.meaning} (SDO abort code 0x{answer.code:08X})"
                raise RefusedByDrive(f"node {node} refused to {what}: {why}", rule="sdo-abort", node=node)
            if not isinstance(answer, UploadAnswer):
                why = f"more than four bytes come in answer, and {entry.size} are wanted"
                raise RefusedByDrive(f"node {node}: {what}: {why}", rule="sdo-wrong-size", node=node)
            if answer.size_known and len(answer.data) != entry.size:
                why = f"{len(answer.data)} bytes came, and {entry.size} are wanted"
                raise RefusedByDrive(f"node {node}: {what}: {why}", rule="sdo-wrong-size", node=node)
            return entry.value(answer.data[: entry.size])

        return decode

    def decode_event(self, frame: Frame) -> DriveEvent | None:
        """
        A pushed position sample (`text` is the power state), an emergency, a boot-up. None for the rest: a heartbeat,
        and an emergency that says that an error is gone.
        """
        if frame.id not in self.event_ids:
            return None
        decoded = self._dialect.decode(frame)
        if decoded is None:
            return None
        values = decoded.values
        if decoded.message == "position":
            return DriveEvent(self.node, "position", values["position"], power_state(values["statusword"]))
        if decoded.message == "fault" and values["code"] >> 8:
            return DriveEvent(self.node, "fault", values["code"], error_text(values["code"]))
        return DriveEvent(self.node, "boot", 0) if decoded.message == "boot" else None

    def _refuse(self, verb: str) -> NoReturn:
        raise RecipeError(
            f"{verb} is not offered yet for CiA 402 (node {self.node})",
            rule="not-offered",
            node=self.node,
            help="Reading position and status is offered; for the rest use a drive with a described dialect.",
        )

    def feed(self, message: str, count: int) -> Ask:
        """Not offered yet."""
        self._refuse("feed")

    def echo(self, count: int) -> Conversation[int]:
        """Not offered yet."""
        self._refuse("echo")

    def echo_ask(self, count: int) -> Ask:
        """Not offered yet."""
        self._refuse("echo")

    def read_inputs(self) -> Conversation[Mapping[str, bool]]:
        """Not offered yet."""
        self._refuse("read inputs")

    def poll_inputs(self) -> Ask:
        """Not offered yet."""
        self._refuse("read inputs")

    def set_output(self, output: int, on: bool) -> Conversation[None]:
        """Not offered yet."""
        self._refuse("set output")

    def read_scale(self) -> Conversation[Mapping[str, int]]:
        """Not offered yet."""
        self._refuse("read the scale")

    def read_setting(self, name: Setting) -> Conversation[int]:
        """Not offered yet."""
        self._refuse(f"read {name}")

    def write_setting(self, name: Setting, raw: int) -> Conversation[None]:
        """Not offered yet."""
        self._refuse(f"set {name}")

    def enable(self) -> Conversation[None]:
        """Not offered yet."""
        self._refuse("enable")

    def disable(self) -> Conversation[None]:
        """Not offered yet."""
        self._refuse("disable")

    def set_brake(self, applied: bool) -> Conversation[None]:
        """Not offered yet."""
        self._refuse("brake")

    def reset_fault(self) -> Conversation[None]:
        """Not offered yet."""
        self._refuse("reset fault")

    def arm_latch(self) -> Conversation[None]:
        """Not offered yet."""
        self._refuse("arm latch")

    def read_latch(self) -> Conversation[Latch]:
        """Not offered yet."""
        self._refuse("read latch")

    def home_at(self, edge_counts: int) -> Conversation[None]:
        """Not offered yet."""
        self._refuse("home")

    def move(self, target_counts: int, speed_raw: int) -> Conversation[None]:
        """Not offered yet."""
        self._refuse("move")

    def preload(self, target_counts: int, speed_raw: int) -> Conversation[None]:
        """Not offered yet."""
        self._refuse("preload")

    def preload_nothing(self, here_counts: int, speed_raw: int) -> Conversation[None]:
        """Not offered yet."""
        self._refuse("preload")

    def clear_load(self) -> Conversation[None]:
        """Not offered yet."""
        self._refuse("clear load")

    def start(self) -> Tell:
        """Not offered yet."""
        self._refuse("start")

    def stop_all(self) -> Tell:
        """Not offered yet."""
        self._refuse("stop")

    def quick_stop_all(self) -> Tell:
        """Not offered yet."""
        self._refuse("quick stop")

    def stop(self) -> Tell:
        """Not offered yet."""
        self._refuse("stop")

    def quick_stop(self) -> Tell:
        """Not offered yet."""
        self._refuse("quick stop")

    def cut_power(self) -> list[Tell]:
        """Not offered yet."""
        self._refuse("cut power")
