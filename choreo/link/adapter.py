"""
python-can's side of the live link: opening a bus, turning its messages into our frames and back, ending it.

The only module that imports python-can, and only when a bus is opened: it costs a check or a dry-run nothing.
"""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from choreo.errors import LinkLost, RecipeError
from choreo.frame import Frame

if TYPE_CHECKING:
    from can import BusABC, Message

#: Interfaces that hand a frame back to its sender when it has left: that is the proof of sending.
ECHOING = frozenset({"socketcan", "virtual"})

#: Error classes of an error frame (linux/can/error.h).
TROUBLES = {
    0x001: "transmission timed out",
    0x002: "arbitration lost",
    0x004: "controller trouble",
    0x008: "protocol violation",
    0x010: "transceiver trouble",
    0x020: "no acknowledgement",
    0x040: "bus-off",
    0x080: "bus error",
    0x100: "controller restarted",
}


def open_bus(spec: str, bit_rate: int) -> tuple["BusABC", bool]:
    """
    The bus that `spec` names, and whether it returns our own frames once they have left.

    `spec` is `interface:channel` in python-can's words: `socketcan:can0`, `slcan:/dev/ttyACM0@115200`,
    `virtual:bench`; `bit_rate` is in bit/s.

    Raises:
        RecipeError: the spec is no spec, python-can has no such interface, or the adapter lacks the bit rate.
        LinkLost: the adapter cannot be opened.
    """
    interface, colon, channel = spec.partition(":")
    if not (interface and colon and channel):
        raise RecipeError(
            f"bus {spec!r} does not name an interface and a channel",
            rule="bus-spec",
            help="Write it as interface:channel, for example socketcan:can0 or slcan:/dev/ttyACM0@115200.",
        )
    import can

    if interface not in can.VALID_INTERFACES:
        raise RecipeError(
            f"bus {spec!r}: python-can has no interface named {interface!r}",
            rule="bus-interface",
            help=f"It has {', '.join(sorted(can.VALID_INTERFACES))}.",
        )
    try:
        bus = can.Bus(
            interface=interface,
            channel=channel,
            bitrate=bit_rate,
            ignore_config=True,  # the command line says it all: no file in the user's home may change the bus
            **_options(interface, channel),
        )
    except Exception as trouble:
        if isinstance(innermost(trouble), ValueError):  # a channel or a bit rate that the driver does not have
            raise RecipeError(
                f"bus {spec!r} at {bit_rate} bit/s is refused: {innermost(trouble)}", rule="bus-refused"
            ) from trouble
        raise LinkLost(
            f"the adapter {spec!r} cannot be opened: {words(trouble)}",
            rule="adapter-not-opened",
            help="Look whether it is plugged in, and whether another program holds it.",
        ) from trouble
    return bus, interface in ECHOING


def _options(interface: str, channel: str) -> dict[str, Any]:
    if interface in ECHOING:
        return {"receive_own_messages": True}
    if interface != "slcan":
        return {}
    # With a timeout of its own the driver would sleep in every `recv(0)`. Some adapters restart when their port is
    # opened, so python-can waits two seconds; a pseudo-terminal does not.
    options: dict[str, Any] = {"timeout": 0}
    if Path(channel.partition("@")[0]).resolve().is_relative_to("/dev/pts"):
        options["sleep_after_open"] = 0
    return options


def descriptor_of(bus: "BusABC") -> int | None:
    """The bus' file descriptor, where there is one that `select` can wait for."""
    if sys.platform == "win32":
        return None  # there `select` takes nothing but sockets
    try:
        descriptor = bus.fileno()
    except Exception:  # noqa: BLE001  each driver has its own way to say that it has none
        return None
    return descriptor if isinstance(descriptor, int) and descriptor >= 0 else None


def shut_down(bus: "BusABC") -> None:
    """End the bus, whatever it raises."""
    try:
        bus.shutdown()
    except Exception:  # noqa: BLE001  a lost adapter cannot be told good-bye
        # The serial driver leaves its port open when its last word cannot be written.
        port = getattr(bus, "serialPortOrig", None)
        if port is not None:
            port.close()


def to_message(frame: Frame) -> "Message":
    """A frame of ours as python-can wants it."""
    from can import Message

    return Message(
        arbitration_id=frame.id,
        data=frame.data,
        is_extended_id=frame.extended,
        is_remote_frame=frame.remote,
        check=False,
    )


def to_frame(message: "Message", t_ns: int) -> Frame:
    """A classical message of python-can's that arrived at `t_ns`."""
    data = b"" if message.is_remote_frame else bytes(message.data)
    return Frame(message.arbitration_id, data, bool(message.is_extended_id), bool(message.is_remote_frame), t_ns)


def trouble_words(error_class: int) -> str:
    """What an error frame of this class (the identifier field) says."""
    named = [words for bit, words in TROUBLES.items() if error_class & bit]
    return "error frame" + (f": {', '.join(named)}" if named else "")


def innermost(trouble: BaseException) -> BaseException:
    """The first cause: drivers wrap `No such device` in layers of their own."""
    while trouble.__cause__ is not None:
        trouble = trouble.__cause__
    return trouble


def words(trouble: BaseException) -> str:
    """The first cause with its type, since many say little more than that."""
    cause = innermost(trouble)
    return f"{type(cause).__name__}: {cause}" if str(cause) else type(cause).__name__
