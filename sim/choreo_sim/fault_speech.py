"""
Frames that a fault puts on the bus or looks for there, in the words of a drive's dialect: the one place where faults
meet identifiers and bytes.
"""

from collections.abc import Callable, Mapping, Sequence

from choreo.frame import Frame
from choreo_sim.bus_faults import Match
from choreo_sim.dialect.checksums import Address
from choreo_sim.dialect_reader import Form, Message, framed
from choreo_sim.short_frame_drive import ShortFrameDrive


def request(drive: ShortFrameDrive, message: str, values: Mapping[str, int], *, everyone: bool = False) -> Frame:
    """A request to a drive, or to every node; a field that `values` does not name is 0."""
    found = drive.dialect.messages[message]
    address = drive.dialect.broadcast if everyone or found.broadcast == "only" else drive.node
    return found.request_frame(address, values, extended=drive.dialect.extended)


def reply(drive: ShortFrameDrive, message: str, values: Mapping[str, int]) -> Frame:
    """What the drive would answer to a request; the message must have a reply."""
    return drive.dialect.messages[message].reply_frame(drive.node, values, extended=drive.dialect.extended)


def event(drive: ShortFrameDrive, name: str, values: Mapping[str, int]) -> Frame:
    """What the drive would say unasked."""
    speech = drive.dialect.event_speech[name]
    return framed(speech.range, speech.form, drive.node, values, drive.dialect.extended)


def answered(drive: ShortFrameDrive) -> list[str]:
    """The messages that are answered."""
    return [name for name, message in drive.dialect.messages.items() if message.reply is not None]


def requests_of(drive: ShortFrameDrive, message: str) -> Match:
    """Which frames are this request to this drive (to all of them, where it is always a broadcast)."""
    found = drive.dialect.messages[message]
    address = drive.dialect.broadcast if found.broadcast == "only" else drive.node
    identifier = found.request_range.identifier(address)
    fits = _fits([found.request], Address(identifier, drive.dialect.extended, address))
    return Match(identifier=identifier, extended=drive.dialect.extended, data=fits)


def replies_of(drive: ShortFrameDrive, message: str | None) -> Match:
    """Which frames are this drive's replies to a request, or any replies of its; its own frames only."""
    messages = [drive.dialect.messages[name] for name in (answered(drive) if message is None else [message])]
    identifier = min(_reply_identifier(drive, each) for each in messages)
    forms = [each.reply for each in messages if each.reply is not None]
    fits = _fits(forms, Address(identifier, drive.dialect.extended, drive.node))
    return Match(sender=drive.name, identifier=identifier, extended=drive.dialect.extended, data=fits)


def begins(drive: ShortFrameDrive, message: str) -> str:
    """How the text of such a request begins."""
    found = drive.dialect.messages[message]
    address = drive.dialect.broadcast if found.broadcast == "only" else drive.node
    return Frame(found.request_range.identifier(address), found.request.prefix, drive.dialect.extended).text()


def _reply_identifier(drive: ShortFrameDrive, message: Message) -> int:
    assert message.answer is not None
    return message.answer.range.identifier(drive.node)


def _fits(forms: Sequence[Form], address: Address) -> Callable[[bytes], bool]:
    return lambda data: any(form.unpack(data, address) is not None for form in forms)
