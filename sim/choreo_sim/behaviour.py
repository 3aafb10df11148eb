"""The ways in which a drive may fail to do what it should; `fault_kinds.py` has them, one class a kind."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from choreo_sim.short_frame_drive import ShortFrameDrive


class Behaviour:
    """
    Put into `ShortFrameDrive.behaviours`, it is asked at every turn of a message; unless overridden it says *as usual*.

    `message` is the dialect's name of a request, of the request that a reply belongs to, or of an event.
    """

    def __init__(self, drive: "ShortFrameDrive") -> None:
        self.drive = drive

    def hears(self, message: str) -> bool:
        """Whether the request arrives at all."""
        return True

    def refuses(self, message: str) -> int | None:
        """The error code with which the request is refused; None if it is not."""
        return None

    def before(self, message: str) -> bool:
        """Called before the request is carried out; False takes its place, and nothing is answered."""
        return True

    def after(self, message: str) -> None:
        """Called when the request has been carried out and not refused."""

    def says(self, message: str) -> bool:
        """Whether the reply or event leaves the drive."""
        return True

    def reads(self, counts: int) -> int:
        """What the drive tells as its position."""
        return counts
