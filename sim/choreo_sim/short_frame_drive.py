"""
A drive of a described short-frame dialect, as it stands on the bus: what it hears, when it answers.

A request takes effect when it arrives, in order of arrival, so that a stop can never be overtaken by a move that came
before it; its answer follows after a processing time, with positions as they are then. Stops and starts are not
answered. What the messages do is in `firmware.py`.
"""

from random import Random

from choreo.frame import Frame
from choreo_sim.behaviour import Behaviour
from choreo_sim.bus import Bus
from choreo_sim.dialect_reader import DriveDialect, Form, Message
from choreo_sim.firmware import DONE, Answer, Firmware, Refusal, Values
from choreo_sim.kernel import Kernel
from choreo_sim.mechanics import Mechanics
from choreo_sim.servo import Servo


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
        self._kernel = kernel
        self._random = Random(f"drive {truth.name} {seed}")
        shortest, longest = truth.reply_ns or (dialect.reply_within_ns // 10, dialect.reply_within_ns // 2)
        self._quickest_ns, self._spread_ns = shortest, longest - shortest
        self._busy_ns = 0
        self._known: dict[tuple[int, bytes], Message] = {}  # requests without fields, by identifier and bytes
        self._routes: dict[int, list[Message]] = {}  # by identifier
        for message in dialect.messages.values():
            self._route(message)
        self._poll = self._poll_of(dialect.messages.get("read_position"))
        self._answers = {message.request_base + self.node for message in dialect.messages.values() if message.reply}
        self.controller = bus.attach(truth.name, self.on_frame, accepts=self._accepts)

    def boot(self) -> None:
        """The drive's supply was gone and comes back: it knows nothing any more, and says so."""
        self._busy_ns = 0
        self.servo.power_up()
        self._event("boot", {})

    # What comes in.

    def _poll_of(self, message: Message | None) -> tuple[int, bytes, int, Form] | None:
        """
        The request for the position and the form of its reply, where both are as plain as usual: positions are asked
        for so often that they have a way of their own.
        """
        if message is None or message.request.slots or message.reply is None or message.reply_base is None:
            return None
        if [slot.name for slot in message.reply.slots] != ["position"]:
            return None
        request = message.request.pack()
        return message.request_base + self.node, request, message.reply_base + self.node, message.reply

    def _route(self, message: Message) -> None:
        addresses = [] if message.broadcast == "only" else [message.request_base + self.node]
        if message.broadcast != "never":
            addresses.append(message.request_base + self.dialect.broadcast)
        for address in addresses:
            self._routes.setdefault(address, []).append(message)
            if not message.request.slots:
                self._known[address, message.request.pack()] = message

    def _accepts(self, identifier: int, extended: bool) -> bool:
        return extended == self.dialect.extended and identifier in self._routes

    def on_frame(self, frame: Frame, t_ns: int) -> None:
        """A frame that the acceptance filter let pass, at its end."""
        poll = self._poll
        if poll is not None and frame[0] == poll[0] and frame[1] == poll[1] and not (frame[3] or self.behaviours):
            reply = Frame(poll[2], poll[3].pack(self.firmware.position()), self.dialect.extended)
            self.controller.send(reply, self._when())
            return
        if frame.remote:
            return
        values = DONE
        message = self._known.get((frame.id, frame.data))
        if message is None:
            found = self._find(frame)
            if found is None:
                if frame.id in self._answers:
                    self._refuse(frame.data[0] if frame.data else 0, self.dialect.error_code(Refusal.UNKNOWN))
                return
            message, values = found
        if not self.behaviours or self._as_usual(message):
            self._carry_out(message, values)

    def _find(self, frame: Frame) -> tuple[Message, Values] | None:
        for candidate in self._routes[frame.id]:
            values = candidate.request.unpack(frame.data)
            if values is not None:
                return candidate, values
        return None

    def _as_usual(self, message: Message) -> bool:
        """Whether nothing is wrong with the drive that takes the place of what it was asked to do."""
        if not all(behaviour.hears(message.name) for behaviour in self.behaviours):
            return False
        codes = [behaviour.refuses(message.name) for behaviour in self.behaviours]
        for code in codes:
            if code is not None:
                self._refuse(_selector(message.request), code)
                return False
        return all(behaviour.before(message.name) for behaviour in self.behaviours)

    def _carry_out(self, message: Message, values: Values) -> None:
        if message.name in self.firmware.reads:
            self._kernel.at(self._when(), self._answer, (message, values, None))
            return
        command = self.firmware.commands.get(message.name)
        outcome: Answer = Refusal.UNKNOWN if command is None else command(values)
        if not isinstance(outcome, Refusal):
            for behaviour in self.behaviours:
                behaviour.after(message.name)
        if message.reply is not None:
            self._kernel.at(self._when(), self._answer, (message, values, outcome))

    # What goes out.

    def _when(self) -> int:
        """When the answer to a request that has just come is ready: one after the other, each in its time."""
        begin = max(self._kernel.now_ns, self._busy_ns)
        self._busy_ns = begin + self._quickest_ns + int(self._random.random() * self._spread_ns)
        return self._busy_ns

    def _answer(self, what: tuple[Message, Values, Answer | None]) -> None:
        """Put an answer together, readings made now, and send it."""
        message, values, outcome = what
        if outcome is None:
            outcome = self.firmware.reads[message.name](values)
        if isinstance(outcome, Refusal):
            self._send_refusal((_selector(message.request), self.dialect.error_code(outcome)))
            return
        if self.behaviours:
            if not self._says(message.name):
                return
            outcome = self._as_read(outcome)
        assert message.reply is not None
        assert message.reply_base is not None
        data = message.reply.pack(*[outcome[slot.name] for slot in message.reply.slots])
        self.controller.send(Frame(message.reply_base + self.node, data, self.dialect.extended))

    def _as_read(self, outcome: Values) -> Values:
        if "position" not in outcome or "captured" in outcome:
            return outcome
        position = outcome["position"]
        for behaviour in self.behaviours:
            position = behaviour.reads(position)
        return {**outcome, "position": position}

    def _says(self, message: str) -> bool:
        return all(behaviour.says(message) for behaviour in self.behaviours)

    def _refuse(self, selector: int, code: int) -> None:
        self._kernel.at(self._when(), self._send_refusal, (selector, code))

    def _send_refusal(self, refusal: tuple[int, int]) -> None:
        if self._says("error_reply"):
            refused, error = refusal
            data = _packed(self.dialect.error_form, {"refused": refused, "error": error})
            self.controller.send(Frame(self.dialect.error_base + self.node, data, self.dialect.extended))

    def _tell_fault(self, fault: int) -> None:
        self._event("fault", {"fault": fault})

    def _event(self, name: str, values: Values) -> None:
        form = self.dialect.events.get(name)
        if form is not None and self._says(name):
            frame = Frame(self.dialect.event_base[name] + self.node, _packed(form, values), self.dialect.extended)
            self.controller.send(frame, self._kernel.now_ns + self._quickest_ns)


def _packed(form: Form, values: Values) -> bytes:
    return form.pack(*[values[slot.name] for slot in form.slots])


def _selector(request: Form) -> int:
    """The byte that says which request it is: its first constant."""
    return request.constants[0][1] if request.constants else 0
