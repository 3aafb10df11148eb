"""
A drive of a described short-frame dialect, as it stands on the bus: what it hears, when it answers.

A request takes effect when it arrives, in order of arrival, so that a stop can never be overtaken by a move that came
before it; its answer follows after a processing time, with positions as they are then. What is sent to all is never
answered. What the messages do is in `firmware.py`, what is missed or heard twice in `hearing.py`, what is said without
a request in `unasked.py`.
"""

from collections.abc import Callable
from random import Random

from choreo.frame import Frame
from choreo_sim.behaviour import Behaviour
from choreo_sim.bus import Bus
from choreo_sim.collecting import Collecting
from choreo_sim.dialect.checksums import Address
from choreo_sim.dialect.layout import Verdict
from choreo_sim.dialect_reader import DriveDialect, Message, Speech
from choreo_sim.firmware import DONE, Answer, Firmware, Refusal, Values
from choreo_sim.hearing import Hearing
from choreo_sim.kernel import Kernel
from choreo_sim.mechanics import Mechanics
from choreo_sim.servo import Fault, Servo
from choreo_sim.unasked import Unasked
from choreo_sim.watchdog import Watchdog

ROUTES_REMEMBERED = 4096  # identifiers: with bits that nobody looks at there may be more of them


class ShortFrameDrive:
    """One drive on the bus. `behaviours` are the ways in which it does not do what it should; usually none."""

    def __init__(self, kernel: Kernel, bus: Bus, dialect: DriveDialect, mechanics: Mechanics, seed: int) -> None:
        truth = mechanics.truth
        self.name = truth.name
        self.node = truth.node
        self.dialect = dialect
        self.mechanics = mechanics
        self.behaviours: list[Behaviour] = []
        self.servo = Servo(kernel, dialect, mechanics, seed, self._tell_fault)
        self.firmware = Firmware(kernel, dialect, self.servo)
        self.inputs = self.firmware.inputs
        self._kernel = kernel
        self._random = Random(f"drive {truth.name} {seed}")
        shortest, longest = truth.reply_ns or (dialect.reply_within_ns // 10, dialect.reply_within_ns // 2)
        shortest, longest = (max(1, round(ns * truth.reply_factor)) for ns in (shortest, longest))
        self._quickest_ns, self._spread_ns = shortest, longest - shortest
        self._busy_ns = 0
        self._count = 0  # of own frames that carry a rolling counter
        self._known: dict[tuple[int, bytes], Message] = {}  # own requests that never differ, by identifier and bytes
        self._routes: dict[int, list[tuple[Message, bool]]] = {}  # by identifier: what it may be, and whether for us
        for message in dialect.exchanges:
            self._learn(message)
        self._poll = self._poll_of(dialect.messages.get(dialect.position_message))
        self._hearing = Hearing(kernel, dialect, truth.name, mechanics.damage)
        self._collecting = Collecting(kernel)
        self._watchdog = Watchdog(kernel, dialect.watchdog, self._starved) if dialect.watchdog is not None else None
        self._attentive = self._hearing.watching or self._watchdog is not None
        self.controller = bus.attach(truth.name, self.on_frame, accepts=self._accepts)
        if self._hearing.watching:
            self.controller.on_sent = self._hearing.left
        self.firmware.inputs.on_change = self.look
        self._unasked = Unasked(kernel, dialect, self.servo, self.firmware, self._event, f"{truth.name} {seed}")
        self.inputs.on_change = self.look

    def boot(self) -> None:
        """The drive's supply was gone and comes back: it knows nothing any more, and says so."""
        self._busy_ns = 0
        self._count = 0
        self._hearing.boot()
        self._collecting.forget()
        self.servo.power_up()
        self.inputs.power_up()
        self._unasked.boot()
        self._event("boot", {})

    def wired(self) -> None:
        """Its inputs have just been connected: what they read now is no change."""
        self._unasked.boot()

    def look(self) -> None:
        """Something outside the drive has changed, an input perhaps: an event may be due."""
        self._unasked.look()

    # What comes in.

    def _poll_of(self, message: Message | None) -> tuple[int, bytes, Callable[[int], bytes], int, Message] | None:
        """
        The request for the position and how it is answered, where both are as plain as usual: positions are asked for
        so often that they have a way of their own.
        """
        if message is None or message.answer is None or not message.request.fixed or message.parts > 1:
            return None
        form = message.answer.form
        if form.names != ("position",) or form.rolling is not None:
            return None
        request = message.request_frame(self.node, DONE, extended=self.dialect.extended)
        identifier = message.answer.range.identifier(self.node)
        address = Address(identifier, self.dialect.extended, self.node)
        pack = form.pack if form.fast else lambda position: form.build({"position": position}, address)
        return request.id, request.data, pack, identifier, message

    def _learn(self, message: Message) -> None:
        """Remember the bytes of a request that never differs."""
        if message.request.fixed and message.broadcast != "only":
            frame = message.request_frame(self.node, DONE, extended=self.dialect.extended)
            self._known[frame.id, frame.data] = message

    def _accepts(self, identifier: int, extended: bool) -> bool:
        return extended == self.dialect.extended and bool(self._candidates(identifier))

    def _candidates(self, identifier: int) -> list[tuple[Message, bool]]:
        """What a frame with that identifier may be, and whether it is for this node (or for all)."""
        found = self._routes.get(identifier)
        if found is None:
            found = []
            for message in self.dialect.exchanges:
                node = message.request_range.node_of(identifier)
                if node == self.node and message.broadcast != "only":
                    found.append((message, True))
                elif node == self.dialect.broadcast and message.broadcast != "never":
                    found.append((message, False))
            if found and len(self._routes) < ROUTES_REMEMBERED:
                self._routes[identifier] = found
        return found

    def on_frame(self, frame: Frame, t_ns: int) -> None:
        """A frame that the acceptance filter let pass, at its end."""
        poll = self._poll
        if poll is not None and frame[0] == poll[0] and frame[1] == poll[1] and not (frame[3] or self.behaviours):
            if self._attentive and not self._attends(poll[4], DONE, own=True):
                return
            reply = Frame(poll[3], poll[2](self.firmware.position()), self.dialect.extended)
            self.controller.send(reply, self._when())
            if self._attentive:
                self._hearing.answers(poll[4], reply)
            return
        if frame.remote:
            return
        message = self._known.get((frame.id, frame.data))
        if message is not None:
            self._hear(message, DONE, own=True)
        else:
            self._make_out(frame)

    def _make_out(self, frame: Frame) -> None:
        """Find out what a frame is; what makes no sense is answered with an error where anything would be answered."""
        candidates = self._candidates(frame.id)
        verdicts: set[Verdict] = set()
        unfit: Message | None = None
        for message, own in candidates:
            node = self.node if own else self.dialect.broadcast
            verdict, values = message.request.read(frame.data, Address(frame.id, frame.extended, node))
            if verdict is Verdict.FITS:
                self._hear(message, values, own=own)
                return
            verdicts.add(verdict)
            if verdict is Verdict.BAD_VALUE and own:
                unfit = message
        if Verdict.DAMAGED in verdicts:
            return  # it is as if it had never been sent
        if unfit is not None and unfit.answer is not None:
            self._refuse(unfit.request.selector, self.dialect.error_code(Refusal.OUT_OF_RANGE))
        elif any(own and message.answer is not None for message, own in candidates):
            self._refuse(frame.data[0] if frame.data else 0, self.dialect.error_code(Refusal.UNKNOWN))

    def _hear(self, message: Message, values: Values, *, own: bool) -> None:
        if self.behaviours and not all(behaviour.hears(message.name) for behaviour in self.behaviours):
            return
        if self._attentive and not self._attends(message, values, own=own):
            return
        if not self.behaviours or self._as_usual(message, values):
            self._carry_out(message, values, own=own)

    def _attends(self, message: Message, values: Values, *, own: bool) -> bool:
        """Whether the drive is ready for a request; it then knows that its host is still there."""
        if not self._hearing.takes(message, values, own=own):
            return False
        if self._watchdog is not None:
            self._watchdog.feed(message.name)
        return True

    def _as_usual(self, message: Message, values: Values) -> bool:
        """Whether nothing is wrong with the drive that takes the place of what it was asked to do."""
        codes = [behaviour.refuses(message.name) for behaviour in self.behaviours]
        for code in codes:
            if code is not None:
                self._refuse(message.request.selector, code, _echo(message, values))
                return False
        return not message.last or all(behaviour.before(message.name) for behaviour in self.behaviours)

    def _carry_out(self, message: Message, values: Values, *, own: bool) -> None:
        said: Values | None = values
        if message.parts > 1:
            said = self._collecting.take(message, values)
        else:
            self._collecting.meets(message.name)
        outcome: Answer | None
        if said is None:
            outcome = Refusal.OUT_OF_TURN
        elif message.name in self.firmware.reads:
            outcome = None  # it is read when the answer is put together
        elif not message.last:
            outcome = DONE
        else:
            outcome = self._command(message, said)
        if message.answer is not None and own:
            self._kernel.at(self._when(), self._answer, (message, said or values, outcome))

    def _command(self, message: Message, values: Values) -> Answer:
        command = self.firmware.commands.get(message.name)
        outcome: Answer = Refusal.UNKNOWN if command is None else command(values)
        if not isinstance(outcome, Refusal):
            for behaviour in self.behaviours:
                behaviour.after(message.name)
        self._unasked.look()
        return outcome

    def _starved(self) -> None:
        """The watchdog has run out. Where the dialect has a fault for it, the drive is in fault as well."""
        assert self.dialect.watchdog is not None
        then = self.dialect.watchdog.then
        if then == "disable":
            self.servo.mechanics.brake_output(True)
            self.servo.disable()
        else:
            self.servo.stop(then)
        if Fault.NOT_FED in self.dialect.faults and self.servo.enabled:
            self.servo.trip(Fault.NOT_FED, then)
        self._unasked.look()

    # What goes out.

    def _when(self) -> int:
        """When the answer to a request that has just come is ready: one after the other, each in its time."""
        begin = max(self._kernel.now_ns, self._busy_ns)
        self._busy_ns = begin + self._quickest_ns + int(self._random.random() * self._spread_ns)
        return self._busy_ns

    def _answer(self, what: tuple[Message, Values, Answer | None]) -> None:
        """Put an answer together, readings made now, and send it."""
        message, values, outcome = what
        assert message.answer is not None
        names = message.answer.form.names
        if outcome is None:
            complete = message.last or any(name not in values for name in names)
            outcome = self.firmware.reads[message.name](values) if complete else DONE
        counter = _echo(message, values)
        refused = outcome if isinstance(outcome, Refusal) else None
        if not isinstance(outcome, Refusal) or message.means == "received":  # that says nothing of what became of it
            told = {} if isinstance(outcome, Refusal) else outcome
            if self.behaviours:
                if not self._says(message.name):
                    return
                told = self._as_read(told)
            frame = self._framed(message.answer, {**values, **told}, counter)
            if self._attentive:
                self._hearing.answers(message, frame)
            self.controller.send(frame)
        if refused is not None:
            self._send_refusal((message.request.selector, self.dialect.error_code(refused), counter))

    def _framed(self, speech: Speech, values: Values, counter: int | None = None) -> Frame:
        """A frame of this drive's; `counter` is the rolling counter that it repeats, None for its own."""
        if speech.form.rolling is not None:
            if counter is None:
                counter = self._count
                self._count += 1
            values = {**values, "rolling": counter}
        identifier = speech.range.identifier(self.node)
        address = Address(identifier, self.dialect.extended, self.node)
        return Frame(identifier, speech.form.build(values, address), self.dialect.extended)

    def _as_read(self, outcome: Values) -> Values:
        if "position" not in outcome or "captured" in outcome:
            return outcome
        position = outcome["position"]
        for behaviour in self.behaviours:
            position = behaviour.reads(position)
        return {**outcome, "position": position}

    def _says(self, message: str) -> bool:
        return all(behaviour.says(message) for behaviour in self.behaviours)

    def _refuse(self, selector: int, code: int, counter: int | None = None) -> None:
        self._kernel.at(self._when(), self._send_refusal, (selector, code, counter))

    def _send_refusal(self, refusal: tuple[int, int, int | None]) -> None:
        """Say that a request is refused; a drive without such a reply says nothing."""
        speech = self.dialect.error_reply
        if speech is not None and self._says("error_reply"):
            refused, error, counter = refusal
            self.controller.send(self._framed(speech, {"refused": refused, "error": error}, counter))

    def _tell_fault(self, fault: int) -> None:
        self._event("fault", {"fault": fault})

    def _event(self, name: str, values: Values) -> None:
        speech = self.dialect.event_speech.get(name)
        if speech is None or not self._says(name):
            return
        missing = [field for field in speech.form.names if field not in values]
        told: Values = {**self.firmware.tell(missing), **values} if missing else values
        frame = self._framed(speech, self._as_read(told))
        self.controller.send(frame, self._kernel.now_ns + self._quickest_ns)


def _echo(message: Message, values: Values) -> int | None:
    """The rolling counter that the reply repeats."""
    return values.get("rolling") if message.echoed else None
