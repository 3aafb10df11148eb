"""Sessions with drives of dialects that are short_frame but for one thing, on the link with virtual time."""

from collections.abc import Iterable
from io import StringIO

from choreo.drive.counters import Counters
from choreo.drive.families import make_drive
from choreo.drive.verbs import Drive
from choreo.frame import Frame
from choreo.journal.writer import JournalWriter
from choreo.run.guard import Guard
from choreo.run.requests.pacing import pace_of
from choreo.run.session import Session
from choreo.wire.described import DescribedDialect
from tests.run.fake import MS, FakeLink, node_limits

STATUS = dict.fromkeys(("enabled", "moving", "homed", "loaded", "brake_applied", "in_position"), 0)


class Varied:
    """A session, its drives by node, what was sent in words, and when."""

    def __init__(self, dialect: DescribedDialect, *nodes: int, link: FakeLink | None = None) -> None:
        self.dialect = dialect
        self.link = link or FakeLink(self.answers)
        self.text = StringIO()
        limits = [(node_limits(node, f"axis{node}"), dialect.name) for node in nodes]
        self.guard = Guard({dialect.name: dialect}, limits)
        self.session = Session(self.link, self.guard, JournalWriter(None, self.text), [f"axis{n}" for n in nodes])
        self.drives: dict[int, Drive] = {}
        self.reply_ns = MS
        self.silent: set[str] = set()  # messages that are not answered
        counters, pace = Counters(), pace_of(dialect.timing)
        for index, node in enumerate(nodes):
            drive = self.drives[node] = make_drive(dialect, node, counters)
            self.session.traffic.add_lane(
                drive.lane,
                index,
                10 * MS,
                drive.echo_ask,
                pace=pace,
                own_count=drive.own_count,
                extended=dialect.extended,
            )

    def answers(self, frame: Frame) -> Iterable[tuple[int, Frame]]:
        decoded = self.dialect.decode(frame)
        assert decoded is not None, frame.text()
        reply = self.dialect.frames.replies.get(decoded.message)
        if reply is None or decoded.message in self.silent:
            return []
        values = {"position": 0, "fault": 0, "captured": 0, "value": 0, **STATUS, **decoded.values}
        fields = {name: values.get(name, 0) for name in reply.layout.ranges}
        return [(self.reply_ns, self.dialect.encode_reply(decoded.message, decoded.node, **fields))]

    def sent(self) -> list[tuple[int, str, int | None]]:
        """When (ms after the start), what, to whom."""
        found = []
        for at_ns, frame in self.link.sent:
            decoded = self.dialect.decode(frame)
            found.append((at_ns - 5 * MS, decoded.message, decoded.node))
        return found

    def times(self, node: int | None = None) -> list[int]:
        """When something was sent to a node, ns after the start."""
        return [at for at, _, to in self.sent() if node is None or to == node]
