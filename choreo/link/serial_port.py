"""
A serial port before a driver opens it: whether it is there, may be opened, and is nobody else's.

Two programs may open one serial port on most systems; the second one would restart the adapter under the first. So the
port is locked first, in the way that serial programs lock each other out by (`flock`, and the exclusive mode that the
system itself keeps), and the driver opens it while that lock is held.
"""

import errno
import os
import stat
import sys

from choreo.errors import LinkLost


class HeldPort:
    """A port that is ours until `release`."""

    def __init__(self, descriptor: int | None = None) -> None:
        self._descriptor = descriptor

    def release(self) -> None:
        """Give it back. Idempotent."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


def hold(port: str) -> HeldPort:
    """
    Hold the serial port at this path; where it is no path (a serial line over the network), or on a system without
    such locks, there is nothing to hold.

    Raises:
        LinkLost: there is no such port, it may not be opened, or another program holds it.
    """
    if "://" in port or sys.platform == "win32":
        return HeldPort()
    import fcntl

    try:
        descriptor = os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as trouble:
        raise port_trouble(port, trouble) from trouble
    if not stat.S_ISCHR(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise LinkLost(
            f"{port} is no serial port", rule="adapter-not-opened", help="Give the device file of the adapter."
        )
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as trouble:
        os.close(descriptor)
        raise port_trouble(port, trouble) from trouble
    return HeldPort(descriptor)


def port_trouble(port: str, trouble: OSError) -> LinkLost:
    """Why a port cannot be opened, in plain words, and what to do."""
    number = trouble.errno
    if number in (errno.EBUSY, errno.EWOULDBLOCK):
        what = f"another program holds the serial port {port}"
        todo = "End that program. If it is choreo itself that runs there, `choreo stop` reaches the machine through it."
    elif number in (errno.EACCES, errno.EPERM):
        what = f"the serial port {port} may not be opened by this user"
        todo = "Add the user to the group that owns it (`ls -l` tells which, often `dialout`), and log in again."
    elif number in (errno.ENOENT, errno.ENOTDIR, errno.ENODEV, errno.ENXIO):
        what = f"there is no serial port {port}"
        todo = "Plug the adapter in, and look which name it has got: ports may be numbered anew each time."
    else:
        what = f"the serial port {port} cannot be opened: {trouble.strerror or trouble}"
        todo = "Look whether it is plugged in, and whether another program holds it."
    return LinkLost(what, rule="adapter-not-opened", help=todo)
