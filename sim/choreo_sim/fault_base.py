"""What every kind of a drive's fault has in common."""

from typing import ClassVar

from choreo_sim.behaviour import Behaviour
from choreo_sim.fault_entry import Entry

#: The keys by which an entry says from when on it may act.
PIN = ("step", "after", "at")
#: The keys by which an entry says when its turn comes.
TURN = ("nth", *PIN, "times")


class Kind(Behaviour):
    """What every kind has: its drive, its entry, and its turn."""

    KEYS: ClassVar[tuple[str, ...]] = TURN

    def __init__(self, entry: Entry) -> None:
        entry.check(("node", "axis", *self.KEYS))
        super().__init__(entry.drive())
        self.entry = entry
        self.turn = entry.turn()
        self.kernel = entry.shop.kernel
        self.drive.behaviours.append(self)

    def comes(self, what: str) -> bool:
        """Count one more moment; record and return True when the fault acts on it."""
        if not self.turn.comes(self.kernel.now_ns):
            return False
        self.fire(what)
        return True

    def fire(self, what: str) -> None:
        """Record that the fault has acted."""
        self.entry.fire(self.drive.name, what)
