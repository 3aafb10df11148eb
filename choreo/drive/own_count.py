"""Where a dialect's drives number frames of their own: whose number a frame carries, and how it is read (P35)."""

from choreo.drive.verbs import ReadCount
from choreo.frame import Frame
from choreo.wire.described import DescribedDialect, Role, Shape

#: The field of a counter, in requests and replies.
ROLLING = "rolling"


def own_count(dialect: DescribedDialect, node: int) -> ReadCount | None:
    """What reads the drive's own number of a reply or an event; None where it numbers no frame of its own."""
    counted = [
        shape
        for shape in dialect.frames.all()
        if shape.rolling is not None and shape.role is not Role.REQUEST and not _echoes(dialect, shape)
    ]
    if not counted:
        return None

    def read(frame: Frame) -> tuple[int, int] | None:
        found = dialect.find(frame)
        if found is None or found.node != node or found.shape.rolling is None or _echoes(dialect, found.shape):
            return None
        values = found.shape.values(frame)
        return None if values is None else (values[ROLLING], 1 << found.shape.rolling.bits)

    return read


def _echoes(dialect: DescribedDialect, shape: Shape) -> bool:
    """Whether the number in a frame of the drive's is that of a request."""
    requests = dialect.frames.requests
    if shape.role is Role.REPLY:
        asked = [requests[shape.message]]
    else:  # a data-error reply is to any request, an event to none
        asked = list(requests.values()) if shape.role is Role.ERROR else []
    return any(request.rolling is not None and request.rolling.echoed for request in asked)
