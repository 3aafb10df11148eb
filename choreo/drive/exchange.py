"""One message of a described dialect there and back: frames, the reading of answers, the waiting for a state."""

from collections.abc import Callable, Mapping
from typing import Any

from choreo.drive.conversation import Ask, Conversation, Decode, Pause, Tell
from choreo.drive.counters import Counters
from choreo.drive.own_count import ROLLING
from choreo.drive.series import run_series
from choreo.drive.verbs import Status
from choreo.errors import InternalError, MachineFault, RecipeError, RefusedByDrive
from choreo.frame import Frame
from choreo.wire.described import DescribedDialect, Means
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

    def __init__(self, dialect: DescribedDialect, node: int, counters: Counters | None = None) -> None:
        first, last = dialect.node_range
        if not first <= node <= last:
            raise RecipeError(
                f"node {node} is outside the nodes of dialect {dialect.name}, {first} to {last}",
                rule="node-range",
                node=node,
                help="Set the node number on the drive first, then in the recipe.",
            )
        self.node = node
        self.frames = dialect.frames
        self.lane = dialect.frames.replies[dialect.position_message].identifier(node)
        self._dialect = dialect
        self._counters = counters or Counters()
        self._extended = dialect.frames.addressing.bits > 11
        self._plain: dict[tuple[str, int], Ask] = {}  # requests without values: always the same

    # ---- frames ------------------------------------------------------------------------------------------------

    def frame(self, message: str, node: int | None, /, **values: int) -> Frame:
        """
        A request; where the dialect counts requests, with the number 0. Raises RecipeError when the dialect has no such
        message; a value that does not fit should have been found by the plan, and is choreo's own bug.
        """
        shape = self.frames.requests.get(message)
        if shape is None:
            raise RecipeError(
                f"dialect {self._dialect.name} of node {self.node} has no message {message}",
                rule="not-in-dialect",
                node=self.node,
                help=f"Describe {message} in the dialect file, or leave out of the recipe what needs it.",
            )
        if shape.rolling is not None:
            values = {ROLLING: 0, **values}
        try:
            return self._dialect.encode(message, node, **values)
        except ValueError as wrong:
            raise InternalError(f"node {self.node}: {wrong}", rule="value-not-encodable", node=self.node) from None

    def _numbered(self, message: str, node: int | None, values: Values) -> tuple[Frame, int]:
        """The next frame of a message whose requests are counted, and its number."""
        rolling = self.frames.requests[message].rolling
        assert rolling is not None
        number = self._counters.next(self._dialect.name, node, rolling.bits)
        return self.frame(message, node, **{**values, ROLLING: number}), number

    def _counted(self, message: str) -> bool:
        return self.frames.requests[message].rolling is not None

    def _quiet_ns(self, message: str) -> int:
        """After a message of several frames: after its last one."""
        verb = message.partition(".")[0]
        return self._dialect.timing.quiet.get(verb, 0) if message == self.frames.parts(verb)[-1] else 0

    def tell(
        self,
        message: str,
        node: int | None,
        what: str,
        values: Values = NOTHING,
        *,
        confirm: bool = False,
        keep: bool = False,
        abort: Tell | None = None,
    ) -> Tell:
        """A request that nobody answers; `node` None for all nodes. Raises like `frame`."""
        frame = self.frame(message, node, **values)
        anew = (lambda: self._numbered(message, node, values)[0]) if self._counted(message) else None
        return Tell(frame, what, confirm, self._quiet_ns(message), anew, keep, abort)

    def ask(
        self,
        message: str,
        what: str,
        read: Callable[[Values], Any],
        values: Values = NOTHING,
        *,
        again: int = AGAIN,
        keep: bool = False,
        abort: Tell | None = None,
        at_most_ns: int | None = None,
    ) -> Ask:
        """
        A request that is answered. `read` gets the values of its reply, and returns None for a reply to another request
        (practice.md P12). Raises like `frame`.
        """
        frame = self.frame(message, self.node, **values)
        quiet_ns = self._quiet_ns(message)
        if not self._counted(message):
            decode = self._decoder(message, what, read, None)
            return Ask(frame, self.lane, decode, what, again, None, keep, abort, quiet_ns, at_most_ns)

        def anew() -> tuple[Frame, Decode]:
            sent, number = self._numbered(message, self.node, values)
            return sent, self._decoder(message, what, read, number)

        decode = self._decoder(message, what, read, None)  # of no request yet: any number will do
        return Ask(frame, self.lane, decode, what, again, None, keep, abort, quiet_ns, at_most_ns, anew)

    # ---- answers -----------------------------------------------------------------------------------------------

    def _decoder(self, message: str, what: str, read: Callable[[Values], Any], number: int | None) -> Decode:
        answered = self.answer(message, what, number)

        def decode(frame: Frame) -> Any:
            values = answered(frame)
            return None if values is None else read(values)

        return decode

    def answer(self, message: str, what: str, number: int | None = None) -> Callable[[Frame], Values | None]:
        """
        What reads the answers to a request: the values of its reply, None for a frame that is none of its answers.
        Raises RefusedByDrive for the data-error reply to it. `what` is the request in words, `number` the one that it
        was sent with: where the dialect has it echoed, only a reply with the same number is an answer.
        """
        reply, rolling = self.frames.replies[message], self.frames.requests[message].rolling
        echoed = number if rolling is not None and rolling.echoed else None
        refused = self._refusal(message, what, echoed)
        known: dict[bytes, Values] = {}  # a status or some inputs, asked for again and again, have few values

        def read(frame: Frame) -> Values | None:
            if frame.id != self.lane or frame.extended is not self._extended or frame.remote:
                return None
            data = frame.data
            values = known.get(data)
            if values is None:
                found = reply.values(frame)
                if found is None:
                    refused(frame)
                    return None
                if echoed is not None and found.get(ROLLING, echoed) != echoed:
                    return None
                found.pop(ROLLING, None)
                values = found
                if len(known) < REPLIES_KEPT:
                    known[data] = values
            return values

        return read

    def _refusal(self, message: str, what: str, echoed: int | None) -> Callable[[Frame], None]:
        """Raises RefusedByDrive for the error reply to this request, and for no other frame."""
        error = self.frames.error_reply
        selector = self.frames.requests[message].layout.selector

        def look(frame: Frame) -> None:
            values = None if error is None else error.values(frame)
            if values is None or values.get("refused", selector) != selector:
                return
            if echoed is not None and values.get(ROLLING, echoed) != echoed:
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
        message, what = self._dialect.position_message, "read position"
        if self._counted(message):
            return self.ask(message, what, lambda values: values["position"])
        lane, extended, quick = self.lane, self._extended, self._dialect.position_reader(self.node)
        other = self.answer(message, what)

        def decode(frame: Frame) -> int | None:
            if frame.id != lane or frame.extended is not extended:
                return None
            position = quick(frame.data)
            if position is None:
                other(frame)  # an error reply raises
            return position

        return Ask(self.frame(message, self.node), lane, decode, what, AGAIN, quiet_ns=self._quiet_ns(message))

    # ---- verbs -------------------------------------------------------------------------------------------------

    def run(
        self, message: str, what: str, values: Values = NOTHING, *, again: int = AGAIN, fits: tuple[str, ...] = ()
    ) -> Conversation[Values]:
        """
        Send a request and return the values of its reply; nothing where the dialect does not answer it. A message of
        several frames goes out in order, all or nothing.

        A reply in which one of the fields `fits` differs from the request belongs to another request (practice.md P12).
        """
        if message in self.frames.series:
            several: Values = yield from run_series(self, message, what, values)
            return several
        if not values and (message, again) in self._plain:
            plain: Values = (yield self._plain[message, again]).value
            return plain
        if message not in self.frames.replies:
            yield self.tell(message, self.node, what, values)
            return NOTHING

        def read(got: Values) -> Values | None:
            return None if any(got.get(name, values[name]) != values[name] for name in fits) else got

        ask = self.ask(message, what, read, values, again=again)
        if not values:
            self._plain[message, again] = ask
        result: Values = (yield ask).value
        return result

    def has(self, message: str, field: str) -> bool:
        """Whether a request, or one of its frames, carries a field."""
        return any(field in self.frames.requests[part].layout.ranges for part in self.frames.parts(message))

    def means(self, message: str) -> Means | None:
        """What the reply to a request, or to the last of its frames, proves; None where there is none."""
        parts = self.frames.parts(message)
        reply = self.frames.replies.get(parts[-1]) if parts else None
        return None if reply is None else reply.means

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

    def says(self, word: str) -> bool:
        """Whether the status of this dialect can say that."""
        return word in self._dialect.status_words

    def status(self) -> Conversation[Status]:
        """The drive's own word about itself."""
        return self.status_of((yield from self.run("status", "read status")))

    def status_of(self, told: Values) -> Status:
        """What the values of a status say. Raises MachineFault for a coded state that the dialect does not explain."""
        values = self._dialect.status_values(told)
        if values is None:
            help = "Add the state to `states:` of the dialect, from the drive's manual."
            raise self.fault(f"its state is {told['state']}, which the dialect does not explain", "state-unknown", help)
        fault = values["fault"]
        homed, loaded, brake, in_position = (
            bool(values[word]) if word in values else None
            for word in ("homed", "loaded", "brake_applied", "in_position")
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
