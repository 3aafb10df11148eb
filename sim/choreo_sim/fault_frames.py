"""
Faults of frames on the bus, and of whoever sends some that should not: each a function whose docstring says what it is,
listed in `faults.py`.
"""

from collections.abc import Callable
from dataclasses import replace

from choreo.frame import Frame
from choreo_sim import fault_speech as speech
from choreo_sim.bus_faults import Match
from choreo_sim.fault_base import PIN, TURN
from choreo_sim.fault_entry import Entry
from choreo_sim.fault_set import FaultSet, Other
from choreo_sim.short_frame_drive import ShortFrameDrive

HOST = "host"


def _duplicate_frame(entry: Entry, _: FaultSet) -> None:
    """A request that its receivers get twice, because its last bit is wrong (practice.md P6)."""
    _frame_fault(entry, entry.shop.bus.faults.duplicate)


def _corrupt_frame(entry: Entry, _: FaultSet) -> None:
    """A request that an error frame destroys, and that its sender repeats."""
    _frame_fault(entry, entry.shop.bus.faults.corrupt)


def _frame_fault(entry: Entry, put: Callable[[Match], None]) -> None:
    drive, message = _message(entry)
    begins = speech.begins(drive, message)
    _when_counting(entry, speech.requests_of(drive, message), put)

    def record(what: str, t_ns: int, sender: str) -> None:
        if begins in what:
            entry.fire(drive.name, f"{message}: {what}")

    entry.shop.bus.error_taps.append(record)


def _duplicate_reply(entry: Entry, _: FaultSet) -> None:
    """A reply that the host gets twice, because its last bit is wrong (practice.md P6)."""
    drive = entry.drive()
    _when_counting(entry, speech.replies_of(drive, _answered(entry, drive)), entry.shop.bus.faults.duplicate)

    def record(what: str, t_ns: int, sender: str) -> None:
        if sender == drive.name and "end of frame" in what:
            entry.fire(drive.name, what)

    entry.shop.bus.error_taps.append(record)


def _late_reply(entry: Entry, _: FaultSet) -> None:
    """A reply that leaves the drive `by` later than it should (practice.md P12); without `message` any reply."""
    drive = entry.drive()
    _delay(entry, speech.replies_of(drive, _answered(entry, drive)), drive.name)


def _late_request(entry: Entry, _: FaultSet) -> None:
    """A request that is stuck in the host's adapter for `by`, and those behind it with it (practice.md P7)."""
    drive, message = _message(entry)
    _delay(entry, replace(speech.requests_of(drive, message), sender=HOST), drive.name)


def _trigger_stuck(entry: Entry, _: FaultSet) -> None:
    """
    The start trigger is stuck in the host's adapter and leaves `by` later, everything behind it too (practice.md P7).
    """
    dialects = {drive.dialect.name: drive for drive in entry.shop.drives.values()}
    for drive in dialects.values():
        _delay(entry, replace(speech.requests_of(drive, "start"), sender=HOST), None)


def _delay(entry: Entry, match: Match, axis: str | None) -> None:
    by_ns = entry.time("by")
    faults = entry.shop.bus.faults

    def told(frame: Frame) -> None:
        entry.fire(axis, f"{frame.text()} leaves {by_ns / 1e6:g} ms late")

    _when_counting(entry, match, lambda counted: faults.delay(counted, by_ns, told))


def _error_frames(entry: Entry, _: FaultSet) -> None:
    """
    A burst of error frames: the next `count` frames on the bus (`all`: every one from then on) are destroyed and sent
    again, whoever sends them; with `node` only that node's, or the host's (`node: host`).
    """
    shop = entry.shop
    count = entry.get("count")
    number = 1 if count is None else None if count.text() == "all" else count.integer(1, 1 << 20)
    sender, pin = _sender(entry), entry.moment()
    begun: list[bool] = []

    def told(frame: Frame) -> None:
        if not begun:
            begun.append(True)
            entry.fire(sender if sender in shop.drives else None, f"error frames, the first in {frame.text()}")

    pin.then(lambda: shop.bus.faults.corrupt(Match(sender=sender, times=number), told=told))


def _forged_reply(entry: Entry, _: FaultSet) -> None:
    """
    Somebody else sends what looks like a reply of the node, as one of the same number would: at once when the request
    whose turn it is has left, so that it comes first, or with `unasked: true` at its moment, when nobody may have
    asked. Its `position` is `by` away from the true one, other fields as in `values: {name: number}`, or else 0.
    """
    drive, shop = entry.drive(), entry.shop
    given = entry.get("message")
    message = "read_position" if given is None else given.one_of(speech.answered(drive))
    unasked, turn = entry.flag("unasked"), entry.turn()

    def send() -> None:
        values = {"position": drive.firmware.position() + _counts(entry, drive)} | _values(entry)
        frame = speech.reply(drive, message, values)
        _forge(entry, drive.name, frame)

    if unasked:
        turn.pin.then(send)
        return
    asked = speech.requests_of(drive, message)

    def tap(frame: Frame, t_ns: int, sender: str) -> None:
        if sender == HOST and asked.fits(frame, sender, t_ns) and turn.comes(t_ns):
            send()

    shop.bus.taps.append(tap)


def _forged_event(entry: Entry, _: FaultSet) -> None:
    """Somebody else sends what looks like an `event` of the node: `boot`, or `fault` with a `fault` of its dialect."""
    drive = entry.drive()
    event = entry.node.need("event").one_of(drive.dialect.events)
    fault = entry.code("fault", drive.dialect.faults, min(drive.dialect.faults.values()))
    entry.moment().then(lambda: _forge(entry, drive.name, speech.event(drive, event, {"fault": fault})))


def _foreign_command(entry: Entry, _: FaultSet) -> None:
    """
    Another host commands a node: `message` (`move` where nothing is said) to `by` from where the axis is at `speed`;
    other fields as in `values: {name: number}`. The start trigger is a broadcast, also of a stranger's.
    """
    drive = entry.drive()
    given = entry.get("message")
    message = "move" if given is None else given.one_of(drive.dialect.messages)

    def send() -> None:
        here = drive.firmware.position() if drive.dialect.loads.relative_to == "never" else 0
        values = {"target": here + _counts(entry, drive), "speed": _raw_speed(entry, drive)} | _values(entry)
        _forge(entry, drive.name, speech.request(drive, message, values))

    entry.moment().then(send)


def _foreign_stop(entry: Entry, _: FaultSet) -> None:
    """Another host stops a node, or all where none is named: `message: stop` or `quick_stop` (practice.md P18)."""
    whole = entry.get("node") is None and entry.get("axis") is None
    drive = next(iter(entry.shop.drives.values())) if whole else entry.drive()
    given = entry.get("message")
    message = "stop" if given is None else given.one_of(("stop", "quick_stop"))
    frame = speech.request(drive, message, {}, everyone=whole)
    entry.moment().then(lambda: _forge(entry, None if whole else drive.name, frame))


def _forge(entry: Entry, axis: str | None, frame: Frame) -> None:
    shop = entry.shop
    shop.bus.faults.forge(frame, shop.kernel.now_ns)
    entry.fire(axis, f"a stranger sends {frame.text()}")


def _message(entry: Entry) -> tuple[ShortFrameDrive, str]:
    drive = entry.drive()
    return drive, entry.node.need("message").one_of(drive.dialect.messages)


def _answered(entry: Entry, drive: ShortFrameDrive) -> str | None:
    given = entry.get("message")
    return None if given is None else given.one_of(speech.answered(drive))


def _sender(entry: Entry) -> str | None:
    given = entry.get("node") or entry.get("axis")
    if given is None or given.text() == HOST:
        return None if given is None else HOST
    return entry.named(given).name


def _counts(entry: Entry, drive: ShortFrameDrive) -> int:
    """`by` in counts of the bus; nothing where it is not given."""
    mechanics = drive.mechanics
    if entry.get("by") is None:
        return 0
    return round(mechanics.counts(entry.amount("by", mechanics.truth.unit)) - mechanics.counts(0.0))


def _raw_speed(entry: Entry, drive: ShortFrameDrive) -> int:
    dialect, truth = drive.dialect, drive.mechanics.truth
    if entry.get("speed") is None:
        return dialect.speed_code(0.0) or 0
    speed = entry.amount("speed", f"{truth.unit}/s") * float(truth.counts_per_unit)
    return dialect.speed_code(speed) or 0  # where moves carry no speed the field is not there


def _values(entry: Entry) -> dict[str, int]:
    given = entry.get("values")
    return {} if given is None else {name: node.integer(-(1 << 62), 1 << 62) for name, node in given.mapping().items()}


def _when_counting(entry: Entry, match: Match, put: Callable[[Match], None]) -> None:
    """Put a rule that counts matching frames from the entry's pin on."""
    turn = entry.turn()
    counted = replace(match, nth=turn.nth, times=turn.times)
    if turn.pin.since_ns is not None:
        put(replace(counted, from_ns=turn.pin.since_ns))
    else:
        turn.pin.then(lambda: put(counted))


#: What `kind:` may say of frames.
FRAMES: dict[str, Other] = {
    "duplicate_frame": Other(("node", "axis", "message", *TURN), _duplicate_frame),
    "duplicate_reply": Other(("node", "axis", "message", *TURN), _duplicate_reply),
    "corrupt_frame": Other(("node", "axis", "message", *TURN), _corrupt_frame),
    "error_frames": Other(("node", "axis", "count", *PIN), _error_frames),
    "late_request": Other(("node", "axis", "message", "by", *TURN), _late_request),
    "late_reply": Other(("node", "axis", "message", "by", *TURN), _late_reply),
    "trigger_stuck": Other(("by", *TURN), _trigger_stuck),
    "forged_reply": Other(("node", "axis", "message", "by", "values", "unasked", *TURN), _forged_reply),
    "forged_event": Other(("node", "axis", "event", "fault", *PIN), _forged_event),
    "foreign_command": Other(("node", "axis", "message", "by", "speed", "values", *PIN), _foreign_command),
    "foreign_stop": Other(("node", "axis", "message", *PIN), _foreign_stop),
}
