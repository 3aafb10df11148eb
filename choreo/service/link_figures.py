"""What a link check found, as data. Times in nanoseconds, shares between 0 and 1."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class NodeFigures:
    """
    One node of the machine. `what` is what was exchanged with it. `lost` are exchanges without a reply in time, `bound`
    is the 95 % upper bound of the probability that one is lost (facts.md H9, practice.md P28), `refused` were answered
    with a data-error reply. Then replies that answered nothing: `late` ones, the same once more (`doubled`), another
    one to a question that had its answer (`contradicting`), others (`strange`: echoes with a count that was not sent,
    say). `skipped` and `repeated` are by the drive's own count of its frames, None where it counts none (P35). Times
    are None where nothing was answered. `overruns` are exchanges that were due while the one before was still out.
    """

    axis: str
    node: int
    dialect: str
    what: str
    exchanges: int
    lost: int
    bound: float
    refused: int
    late: int
    doubled: int
    contradicting: int
    strange: int
    skipped: int | None
    repeated: int | None
    min_ns: int | None
    median_ns: int | None
    p99_ns: int | None
    max_ns: int | None
    frames_ns: int  # what request and reply need at the most on a bus without anybody else
    drive_ns: int  # what the drive may need between them, by its dialect
    overruns: int = 0

    @property
    def wrong(self) -> int:
        """Replies that answered nothing."""
        return self.late + self.doubled + self.contradicting + self.strange

    @property
    def silent(self) -> bool:
        """Whether it never answered although it was asked."""
        return self.exchanges > 0 and self.lost == self.exchanges

    @property
    def sound(self) -> bool:
        """Whether it answered everything, once, and with the right count."""
        return self.exchanges > 0 and not (self.lost or self.wrong or self.skipped or self.repeated)


@dataclass(frozen=True, slots=True)
class Stranger:
    """A node that nobody declared. `answered`: to our question; otherwise it spoke by itself."""

    node: int
    dialect: str
    answered: bool
    took_ns: int | None


@dataclass(frozen=True, slots=True)
class Other:
    """Frames of others with one identifier. `whose` says in words what they are; `example` is the first of them."""

    identifier: int
    extended: bool
    remote: bool
    frames: int
    before: int  # how many of them before choreo sent anything
    whose: str
    example: str


@dataclass(frozen=True, slots=True)
class Load:
    """
    A share of the bit rate over `span_ns`: at least `least`, if no frame had a stuff bit, at most `most`, if all had as
    many as there could be.
    """

    span_ns: int
    frames: int
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class LinkReport:
    """
    The whole of it. `ended` says in words why it was over before its time, empty otherwise; `lost_adapter` and
    `commanded` (by somebody else) are such reasons. `quiet` is what the bus carried before choreo sent anything, `busy`
    while exchanges went on. `asked_others` nodes were asked whether they are there, `not_asked` could not be.
    `fd_frames` is None where the link does not count them.
    """

    machine: str
    bit_rate: int
    listened_ns: int
    measured_ns: int
    nodes: tuple[NodeFigures, ...]
    asked_others: int
    not_asked: tuple[str, ...]
    strangers: tuple[Stranger, ...]
    others: tuple[Other, ...]
    quiet: Load
    busy: Load
    troubles: tuple[tuple[str, int], ...]  # what the adapter reported of the bus, how often
    error_frames: int
    fd_frames: int | None
    every_ns: int  # from one exchange with a node to the next
    adapter_ns: int  # what the recipe declares that an adapter adds
    ended: str = ""
    lost_adapter: str = ""
    commanded: str = ""

    @property
    def exchanges(self) -> int:
        """Over all nodes."""
        return sum(node.exchanges for node in self.nodes)


def percentile(ordered: Sequence[int], percent: int) -> int | None:
    """The nearest rank, x_ceil(n p) of ascending values (facts.md H1, definition 1); None when there are none."""
    if not ordered:
        return None
    return ordered[max(-(-len(ordered) * percent // 100), 1) - 1]
