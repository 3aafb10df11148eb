"""What each drive does by itself when the host is lost: what somebody asks first who stands at the machine."""

from collections.abc import Iterator, Mapping
from typing import Any

from choreo.units import show_ns

#: By the dialect's word.
_THEN = {
    "stop": "stop by themselves with a controlled ramp",
    "quick_stop": "stop by themselves with a quick stop",
    "disable": "take the power from their axes by themselves",
}


def host_lost(run: Mapping[str, Any]) -> Iterator[str]:
    """
    A sentence for each kind of answer, from the `run` record; nothing where no drive has a watchdog.

    A drive without one goes on with the move that it has, which is said too where others have one.
    """
    groups: dict[tuple[str, int] | None, list[str]] = {}
    for axis in run["axes"]:
        watchdog = axis.get("watchdog")
        key = None if watchdog is None else (watchdog["then"], watchdog["within_ns"])
        groups.setdefault(key, []).append(axis["name"])
    if set(groups) == {None}:
        return
    for key, names in groups.items():
        if key is None:
            does = "finish the move that they have begun: they have no watchdog"
        else:
            then, within_ns = key
            does = f"{_THEN[then]} after {show_ns(within_ns)} without a message"
        yield f"If the host is lost, the drives of {', '.join(names)} {does}."
