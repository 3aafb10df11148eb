"""Faults of the digital inputs of a drive. See `fault_kinds.py` for the list of all."""

from choreo_sim.fault_entry import Entry
from choreo_sim.fault_moments import Moment
from choreo_sim.firmware import Refusal

MS = 1_000_000
#: Where an entry says nothing: a contact that vibrates.
FLICKER_NS, AGAIN_NS = 2 * MS, 30 * MS


class _OfInput(Moment):
    """A fault of one input, named as in the drive's dialect."""

    KEYS = (*Moment.KEYS, "input")

    def __init__(self, entry: Entry) -> None:
        drive = entry.drive()
        asked = drive.dialect.messages.get("read_inputs")
        if asked is None or asked.reply is None:
            raise entry.node.error(f"the drive of {drive.name} has no inputs that can be read")
        self.bit = entry.node.need("input").one_of(asked.reply.names)
        super().__init__(entry)

    def turn_over(self) -> str:
        """From now on it reads the opposite of what it reads now; how it reads then, in words."""
        levels = self.drive.firmware.reads["read_inputs"]({})
        level = not isinstance(levels, Refusal) and bool(levels.get(self.bit))
        self.drive.inputs.force(self.bit, not level)
        return "low" if level else "high"

    def give_back(self, _: object = None) -> None:
        """It reads what the machine makes of it again."""
        self.drive.inputs.release(self.bit)


class InputLost(_OfInput):
    """
    An input turns over and stays so, as when a guard is opened or a cable breaks: an interlock is lost. After `lasts`,
    if that is given, it reads again what it should.
    """

    KEYS = (*_OfInput.KEYS, "lasts")

    def begin(self) -> None:
        """See the class."""
        self.fire(f"{self.bit} turns {self.turn_over()}")
        lasts_ns = self.entry.time("lasts", 0)
        if lasts_ns:
            self.kernel.after(lasts_ns, self.give_back)


class InputFlickers(_OfInput):
    """
    An input turns over for `lasts` (2 ms) and back, `count` times (1), `every` so often (30 ms), as a contact that
    vibrates.
    """

    KEYS = (*_OfInput.KEYS, "lasts", "count", "every")

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        count = entry.get("count")
        self.count = 1 if count is None else count.integer(1, 100_000)
        self.lasts_ns = entry.time("lasts", FLICKER_NS)
        self.every_ns = entry.time("every", max(AGAIN_NS, 2 * self.lasts_ns))
        if not 0 < self.lasts_ns < self.every_ns:
            raise entry.node.error("`lasts` must be above zero and shorter than `every`")

    def begin(self) -> None:
        """See the class."""
        self.fire(f"{self.bit} flickers")
        for place in range(self.count):
            self.kernel.after(place * self.every_ns, self._flicker)

    def _flicker(self, _: object) -> None:
        self.turn_over()
        self.kernel.after(self.lasts_ns, self.give_back)
