"""
Faults of whole devices on the bus: controllers that switch themselves off, nodes that are gone, the host's adapter.
Each is a function whose docstring says what it is, listed in `faults.py`.
"""

from choreo_sim.controller import OFF, Controller
from choreo_sim.fault_base import PIN
from choreo_sim.fault_entry import Entry
from choreo_sim.fault_frames import HOST
from choreo_sim.fault_set import FaultSet, HostAdapter, Other
from choreo_sim.short_frame_drive import ShortFrameDrive


def _adapter_lost(entry: Entry, faults: FaultSet) -> None:
    """
    The host's adapter is gone at a time; with `its_frames_leave: true` it keeps its power, and what it holds leaves all
    the same.
    """
    pin = entry.moment()
    leave = entry.flag("its_frames_leave")

    def put(link: HostAdapter) -> None:
        def lose() -> None:
            link.lose_adapter("the adapter is gone", its_frames_leave=leave)
            entry.fire(None, "the adapter is gone")

        pin.then(lose)

    faults.waiting.append(put)


def _bus_off(entry: Entry, faults: FaultSet) -> None:
    """
    A controller takes itself off the bus after too many errors of its own: a node's, or the host's (`node: host`). It
    stays off, or asks to come back after `recovers` (practice.md P14; facts.md A10, A11).
    """
    pin = entry.moment()
    back_ns = entry.time("recovers", 0)
    given = entry.get("node") or entry.get("axis")
    if given is None or given.text() != HOST:
        drive = entry.drive()
        pin.then(lambda: _switch_off(entry, drive.controller, drive.name, back_ns))
        return

    def put(link: HostAdapter) -> None:
        pin.then(lambda: _switch_off(entry, link.host, None, back_ns))

    faults.waiting.append(put)


def _switch_off(entry: Entry, controller: Controller, axis: str | None, back_ns: int) -> None:
    controller.tec = OFF
    controller.restate()
    entry.fire(axis, f"{controller.name} is bus off")
    if back_ns:
        entry.shop.kernel.after(back_ns, lambda _: controller.recover())


def _nodes_lost(entry: Entry, _: FaultSet) -> None:
    """
    Several nodes are gone at once (practice.md P14): with `supply: power` they lose their power, brakes close, axes
    without one coast; with `supply: bus` the cable is cut and they go where they were last sent. `nodes` is a list, or
    `all`; each goes `apart` later than the one before.
    """
    drives = _several(entry)
    power = entry.node.need("supply").one_of(("power", "bus")) == "power"
    apart_ns = entry.time("apart", 0)
    pin = entry.moment()

    def lose() -> None:
        for place, drive in enumerate(drives):
            entry.shop.kernel.after(place * apart_ns, lambda _, drive=drive: _lose(entry, drive, power))  # type: ignore[misc]

    pin.then(lose)


def _lose(entry: Entry, drive: ShortFrameDrive, power: bool) -> None:
    drive.controller.switch_off()
    if power:
        drive.servo.power_up()
    entry.fire(drive.name, "has lost its power" if power else "is cut off from the bus")


def _several(entry: Entry) -> list[ShortFrameDrive]:
    given = entry.node.need("nodes")
    if not isinstance(given.value, list):
        given.one_of(("all",))
        return list(entry.shop.drives.values())
    return [entry.named(item) for item in given.items()]


#: What `kind:` may say of devices.
NODES: dict[str, Other] = {
    "adapter_lost": Other(("its_frames_leave", *PIN), _adapter_lost),
    "bus_off": Other(("node", "axis", "recovers", *PIN), _bus_off),
    "nodes_lost": Other(("nodes", "supply", "apart", *PIN), _nodes_lost),
}
