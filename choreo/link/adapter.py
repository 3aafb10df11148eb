"""
python-can's side of the live link: opening a bus, turning its messages into our frames and back, ending it.

This module and `settings.py` alone import python-can, and only when a bus is opened: it costs a check or a dry-run
nothing.
"""

import errno
import logging
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from choreo.errors import LinkLost, RecipeError
from choreo.frame import Frame
from choreo.link.serial_port import HeldPort, hold
from choreo.link.serial_reading import read_in_one_go
from choreo.link.settings import look_at_options, settings_of
from choreo.link.spec import BusSpec

if TYPE_CHECKING:
    from can import BusABC, Message

#: Interfaces that hand a frame back to its sender when it has left: that is the proof of sending. `virtual` needs none:
#: when its `send` returns, the frame lies with everybody else on the channel.
ECHOING = frozenset({"socketcan"})

#: Interfaces whose channel is a serial port, perhaps with `@` and its speed behind it.
ON_A_SERIAL_LINE = frozenset({"slcan", "robotell", "seeedstudio", "serial"})

#: Interfaces whose messages bear the time of a clock nearer to the bus than we are: the kernel's, the gateway's, or the
#: adapter's. From python-can's documentation and drivers; tried only with a bus of the tests' own. `slcan` and
#: `virtual` stamp with the computer's clock when the program reads, which says nothing new.
CLOCKED = frozenset(
    {"socketcan", "socketcand", "pcan", "kvaser", "vector", "ixxat", "neovi", "nican", "nixnet", "gs_usb"}
)

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


@dataclass(frozen=True, slots=True)
class Opened:
    """An open bus. `echoes`: it returns our own frames once they have left; `port` is the serial port it is on."""

    bus: "BusABC"
    interface: str
    echoes: bool
    port: HeldPort


def open_bus(spec: BusSpec, bit_rate: int) -> Opened:
    """
    The bus that `spec` names; `bit_rate` is in bit/s, and is the recipe's whatever a configuration file says.

    Raises:
        RecipeError: python-can has no such interface or section, the interface no such option, or the adapter not the
            bit rate; or a section gives another bit rate than the recipe.
        LinkLost: the adapter cannot be opened.
    """
    logging.getLogger("can").addHandler(logging.NullHandler())  # what goes wrong is said once, by us
    import can

    settings = settings_of(spec, bit_rate)
    interface = str(settings.pop("interface"))
    channel = settings.pop("channel")
    settings |= {**_own_options(interface, str(channel)), **spec.options}
    look_at_options(spec, interface, settings)
    settings["bitrate"] = bit_rate
    port = hold(_device(str(channel))) if interface in ON_A_SERIAL_LINE else HeldPort()
    try:
        # The command line says it all: no file in the user's home may change the bus unasked.
        bus = can.Bus(interface=interface, channel=channel, ignore_config=True, **settings)
    except Exception as trouble:
        port.release()
        raise _not_opened(spec, interface, bit_rate, trouble) from trouble
    if interface == "slcan":
        read_in_one_go(bus)
    return Opened(bus, interface, interface in ECHOING, port)


def _not_opened(spec: BusSpec, interface: str, bit_rate: int, trouble: Exception) -> RecipeError | LinkLost:
    cause = innermost(trouble)
    if isinstance(cause, ImportError) or type(trouble).__name__ == "CanInterfaceNotImplementedError":
        return RecipeError(
            f"bus {spec.text!r}: the interface {interface} cannot be used here: {words(trouble)}",
            rule="bus-interface",
            help="Install what the interface needs: its maker's library, or the Python package it names.",
        )
    if isinstance(cause, ValueError | TypeError | KeyError):  # a channel, bit rate or option the driver does not have
        return RecipeError(f"bus {spec.text!r} at {bit_rate} bit/s is refused: {cause}", rule="bus-refused")
    number = _number(cause) or _number(trouble)
    what, todo = words(trouble), "Look whether it is plugged in, and whether another program holds it."
    if interface == "socketcan" and number == errno.ENODEV:
        what = "this computer has no such network interface"
        todo = "Look with `ip link` what it has; `ip link set NAME up type can bitrate RATE` brings one up."
    elif interface == "socketcan" and number in (errno.EAFNOSUPPORT, errno.EPROTONOSUPPORT):
        what, todo = "this system's kernel has no CAN", "Load its modules (can, can_raw), or use another interface."
    elif number in (errno.EACCES, errno.EPERM):
        what, todo = "this user may not open it", "Look at the rights of the device, and in which groups the user is."
    elif number == errno.EBUSY:
        what, todo = "another program holds it", "End that program."
    return LinkLost(f"the adapter {spec.text!r} cannot be opened: {what}", rule="adapter-not-opened", help=todo)


def _device(channel: str) -> str:
    """The device file of a serial port, without the speed that may stand behind it."""
    return channel.partition("@")[0]


def _own_options(interface: str, channel: str) -> dict[str, Any]:
    """What choreo sets itself; an option given on the command line goes before."""
    if interface in ECHOING:
        return {"receive_own_messages": True}
    if interface != "slcan":
        return {}
    # With a timeout of its own the driver would sleep in every `recv(0)`. Some adapters restart when their port is
    # opened, so python-can waits two seconds; a pseudo-terminal does not.
    options: dict[str, Any] = {"timeout": 0}
    if Path(_device(channel)).resolve().is_relative_to("/dev/pts"):
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


#: What the system's numbers mean for an adapter that was open.
FAILURES = {
    errno.EIO: "it was unplugged, or its other end is gone",
    errno.ENODEV: "it was unplugged",
    errno.ENXIO: "it was unplugged",
    errno.ENETDOWN: "its interface was taken down",
    errno.ENOBUFS: "its queue is full: nobody on the bus acknowledges, or the bus is overloaded",
    errno.EPIPE: "its other end is gone",
    errno.ECONNRESET: "its other end is gone",
}


def innermost(trouble: BaseException) -> BaseException:
    """The first cause: drivers wrap `No such device` in layers of their own."""
    while trouble.__cause__ is not None:
        trouble = trouble.__cause__
    return trouble


def words(trouble: BaseException) -> str:
    """
    Why an adapter fails, in plain words where the cause is known, with the driver's own in brackets; else the first
    cause with its type, since many say little more than that.
    """
    cause = innermost(trouble)
    said = f"{type(cause).__name__}: {cause}" if str(cause) else type(cause).__name__
    plain = FAILURES.get(_number(cause) or _number(trouble) or 0, "")
    if not plain and type(cause).__name__ == "SerialTimeoutException":
        plain = "it takes nothing any more"
    elif not plain and type(cause).__name__ == "SerialException":
        plain = "it was unplugged, or its other end is gone"
    return f"{plain} ({said})" if plain else said


def _number(trouble: BaseException) -> int | None:
    """The system's number of a failure, wherever a driver puts it."""
    first = trouble.args[0] if trouble.args else None
    for number in (getattr(trouble, "errno", None), getattr(trouble, "error_code", None), first):
        if isinstance(number, int):
            return number
    return None
