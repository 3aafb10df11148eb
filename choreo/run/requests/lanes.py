"""
Requests that are out.

One request is out per lane (a lane is the identifier on which a drive's replies arrive), and over all lanes a window
slides by the oldest unanswered request: many at once would starve the high nodes, because low identifiers win the bus.
After a timeout a lane rests until a counted echo has come back, which proves that no late reply is still to come.
"""

from collections.abc import Callable
from typing import Any

from choreo.drive.conversation import Ask, Decode, Tell
from choreo.errors import ChoreoError
from choreo.frame import Frame
from choreo.run.requests.counts import OwnCount
from choreo.run.requests.pacing import Turn

#: How often a request gets its time again because choreo itself was held up: a dead node must be found out.
MOST_POSTPONED = 3
#: A node that left this many requests in a row unanswered is silent.
LOSSES_TO_SILENCE = 3


class Request:
    """
    One `Ask` on its way, or a `Tell` that waits for its turn. `done(value, asked_ns, arrived_ns, tries)` or
    `failed(exception)` is called once. `frame` and `decode` are those of the last sending.
    """

    __slots__ = (
        "abandoned",
        "ask",
        "asked_ns",
        "deadline_ns",
        "decode",
        "done",
        "failed",
        "frame",
        "lane",
        "order",
        "owner",
        "postponed",
        "timeout_ns",
        "tries",
    )

    def __init__(
        self,
        lane: "Lane",
        ask: Ask | Tell,
        timeout_ns: int,
        done: Callable[[Any, int, int, int], None],
        failed: Callable[[ChoreoError], None],
        owner: object = None,
    ) -> None:
        self.lane = lane
        self.owner = owner  # the conversation it belongs to
        self.ask = ask
        self.frame: Frame = ask.frame
        self.decode: Decode | None = ask.decode if isinstance(ask, Ask) else None
        self.timeout_ns = timeout_ns
        self.done = done
        self.failed = failed
        self.abandoned = False  # nobody wants the answer any more: never asked again
        self.tries = 0
        self.postponed = 0
        self.order = 0
        self.asked_ns = 0
        self.deadline_ns = 0


class Lane:
    """The requests of one drive, in order."""

    __slots__ = (
        "abort", "axis", "busy", "echo", "echo_count", "first_loss_ns", "heard_ns", "holder", "id", "losses", "own",
        "resting", "silent", "timeout_ns", "turn", "unasked", "worst_ns",
    )  # fmt: skip

    def __init__(self, id: int, axis: int, timeout_ns: int, echo: Callable[[int], Ask]) -> None:
        self.id = id
        self.axis = axis
        self.timeout_ns = timeout_ns
        self.echo = echo
        self.echo_count = 0
        self.busy: Request | None = None
        self.holder: object = None  # the conversation whose transfer of several frames holds the lane
        self.abort: Tell | None = None  # what breaks that transfer off
        self.turn: Turn | None = None  # where the dialect says how fast its drives may be spoken to
        self.own: OwnCount | None = None  # where the drive counts its frames itself
        self.resting = False
        self.silent = False
        self.losses = 0  # unanswered requests in a row
        self.first_loss_ns = 0
        self.heard_ns = 0
        self.worst_ns = 0  # longest reply since it was last set to 0
        self.unasked = 0  # replies that answered nothing: late, doubled, forged
