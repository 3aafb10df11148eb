"""One message of a described dialect there and back: frames, the reading of answers, the waiting for a state."""

from collections.abc import Callable, Mapping

from choreo.drive.conversation import Ask, Conversation, Pause, Tell
from choreo.drive.verbs import Status
from choreo.errors import InternalError, MachineFault, RecipeError, RefusedByDrive
from choreo.frame import Frame
from choreo.wire.described import DescribedDialect
from choreo.wire.words import Setting

#: How often a request that may be repeated is repeated.
AGAIN = 2

#: How often, and how far apart, a drive is asked whether it has done what it accepted: two seconds and the exchanges.
#: Brakes and enabling take tens to hundreds of milliseconds (practice.md P15).
STATE_POLLS = 400
STATE_PAUSE_NS = 5_000_000

#: How many different replies to one request are kept decoded.
REPLIES_KEPT = 64

Values = Mapping[str, int]
NOTHING: Values = {}


class Exchange:
    """What all verbs of one drive are made of."""

    def __init__(self, dialect: DescribedDialect, node: int) -> None:
        first, last = dialect.node_range
        if not first <= node <= last:
            raise RecipeError(
                f"node {node} is outside the nodes of dialect {dialect.name}, {first} to {last}",
                rule="node-range",
                node=node,
                help="Set the node number on the drive first, then in the recipe.",
            )
        self.node = node
        self.lane = dialect.frames.replies[dialect.position_message].base + node
        self._dialect = dialect
        self._extended = dialect.frames.addressing.bits > 11
        self._plain: dict[tuple[str, int], Ask] = {}  # requests without values: always the same

    def frame(self, message: str, node: int | None, /, **values: int) -> Frame:
        """
        A request. Raises RecipeError when the dialect has no such message; a value that does not fit should have been
        found by the plan, and is choreo's own bug.
        """
        if message not in self._dialect.frames.requests:
            raise RecipeError(
                f"dialect {self._dialect.name} of node {self.node} has no message {message}",
                rule="not-in-dialect",
                node=self.node,
                help=f"Describe {message} in the dialect file, or leave out of the recipe what needs it.",
            )
        try:
            return self._dialect.encode(message, node, **values)
        except ValueError as wrong:
            raise InternalError(f"node {self.node}: {wrong}", rule="value-not-encodable", node=self.node) from None

    def answer(self, message: str, what: str) -> Callable[[Frame], Values | None]:
        """
        What reads the answers to a request: the values of its reply, None for a frame that is none of its answers.
        Raises RefusedByDrive for the data-error reply to it. `what` is the request in words.
        """
        reply = self._dialect.frames.replies[message].layout
        refused = self._refusal(message, what)
        known: dict[bytes, Values] = {}  # a status or some inputs, asked for again and again, have few values

        def read(frame: Frame) -> Values | None:
            if frame.id != self.lane or frame.extended is not self._extended or frame.remote:
                return None
            data = frame.data
            values = known.get(data)
            if values is None:
                if not reply.fits(data):
                    refused(data)
                    return None
                values = reply.decode(data)
                if len(known) < REPLIES_KEPT:
                    known[data] = values
            return values

        return read

    def _refusal(self, message: str, what: str) -> Callable[[bytes], None]:
        """Raises RefusedByDrive for the error reply to this request, and for no other data."""
        error = self._dialect.frames.error_reply
        selector = self._dialect.frames.requests[message].layout.selector

        def look(data: bytes) -> None:
            if error is None or not error.layout.fits(data):
                return
            values = error.layout.decode(data)
            if values.get("refused", selector) != selector:
                return
            code = values["error"]
            meaning = self._dialect.errors.get(code, "a code that the dialect does not explain")
            raise RefusedByDrive(
                f"node {self.node} refused to {what}: {meaning} (error code {code})",
                rule="refused-by-drive",
                node=self.node,
                help="Compare the value and the drive's state with the drive's manual; nothing was repeated.",
            )

        return look

    def position_ask(self) -> Ask:
        """The cheapest way to read the position; polling is the hot path."""
        message = self._dialect.position_message
        lane, extended, quick = self.lane, self._extended, self._dialect.position_reader()
        other = self.answer(message, "read position")

        def decode(frame: Frame) -> int | None:
            if frame.id != lane or frame.extended is not extended:
                return None
            position = quick(frame.data)
            if position is None:
                other(frame)  # an error reply raises
            return position

        return Ask(self.frame(message, self.node), lane, decode, "read position", AGAIN)

    def run(
        self, message: str, what: str, values: Values = NOTHING, *, again: int = AGAIN, fits: tuple[str, ...] = ()
    ) -> Conversation[Values]:
        """
        Send a request and return the values of its reply; nothing where the dialect does not answer it.

        A reply in which one of the fields `fits` differs from the request belongs to another request (practice.md P12).
        """
        if not values and (message, again) in self._plain:
            plain: Values = (yield self._plain[message, again]).value
            return plain
        frame = self.frame(message, self.node, **values)
        if message not in self._dialect.frames.replies:
            yield Tell(frame, what)
            return NOTHING
        answered = self.answer(message, what)

        def decode(frame: Frame) -> Values | None:
            got = answered(frame)
            if got is None or any(got.get(name, values[name]) != values[name] for name in fits):
                return None
            return got

        ask = Ask(frame, self.lane, decode, what, again)
        if not values:
            self._plain[message, again] = ask
        result: Values = (yield ask).value
        return result

    def repeats(self, answer: Values, what: str, sent: Values) -> None:
        """A reply that repeats a value must repeat the one that was sent. Raises MachineFault."""
        for name, value in sent.items():
            got = answer.get(name, value)
            if got != value:
                raise self.fault(f"to {what}, it answered with {name} {got}; {value} was sent", "answer-differs")

    def fault(self, what: str, rule: str, help: str = "") -> MachineFault:
        """A fault of this node."""
        return MachineFault(f"node {self.node}: {what}", rule=rule, node=self.node, help=help)

    def fault_text(self, code: int) -> str:
        """What a fault code means; empty for 0."""
        return self._dialect.faults.get(code, "a fault that the dialect does not explain") if code else ""

    def number(self, name: Setting) -> int:
        """The number of a setting on the wire. Raises RecipeError when the dialect has none."""
        number = self._dialect.numbers.get(name)
        if number is None:
            raise RecipeError(
                f"dialect {self._dialect.name} of node {self.node} has no setting {name}",
                rule="not-in-dialect",
                node=self.node,
                help=f"It has {', '.join(self._dialect.numbers)}.",
            )
        return number

    def says(self, bit: str) -> bool:
        """Whether the status of this dialect has that bit."""
        return bit in self._dialect.frames.replies["status"].layout.ranges

    def status(self) -> Conversation[Status]:
        """The drive's own word about itself."""
        values = yield from self.run("status", "read status")
        fault = values["fault"]
        homed, loaded, brake, in_position = (
            bool(values[bit]) if bit in values else None for bit in ("homed", "loaded", "brake_applied", "in_position")
        )
        enabled, moving = bool(values["enabled"]), bool(values["moving"])
        return Status(enabled, moving, fault, homed, loaded, brake, in_position, self.fault_text(fault))

    def until(self, done: Callable[[Status], bool], state: str, *, without_fault: bool = False) -> Conversation[None]:
        """Ask for the status until `done`. Raises MachineFault after the last poll, or at a fault `without_fault`."""
        for _ in range(STATE_POLLS):
            status = yield from self.status()
            if without_fault and status.fault:
                help = "Find and clear the cause at the machine; a fault is reset only by a step that says so."
                fault = f"{status.fault_text} (fault {status.fault})"
                raise self.fault(f"in fault instead of {state}: {fault}", "drive-fault", help)
            if done(status):
                return
            yield Pause(STATE_PAUSE_NS)
        waited = STATE_POLLS * STATE_PAUSE_NS // 1_000_000
        raise self.fault(f"not {state} after {STATE_POLLS} looks over {waited} ms", "state-not-reached")
