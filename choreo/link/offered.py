"""What an installed simulator offers. It is found by entry point, never imported: choreo works without one."""

from typing import Any


def offered(group: str, name: str) -> Any | None:
    """
    The object behind the entry point `name` of a group, None when nobody offers it.

    Looks into choreo's own distribution first, which costs one directory, and into all that are installed only when it
    is not there.
    """
    from importlib.metadata import PackageNotFoundError, distribution, entry_points

    try:
        own = [entry for entry in distribution("choreo").entry_points if (entry.group, entry.name) == (group, name)]
    except PackageNotFoundError:
        own = []
    for entry in own or entry_points(group=group, name=name):
        return entry.load()
    return None
