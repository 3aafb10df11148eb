"""
Faults of the bus as rules: which frame, which attempt, what happens to it. Nothing is drawn: a rule counts.

An *attempt* is one transmission that went onto the wire, a retransmission included, so that a frame can be destroyed
sixteen times in a row; attempts are judged when they are planned and counted when they are over. `delay` counts frames
as they are queued. Of several rules whose turn it is the first one acts; all that match go on counting.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic, TypeVar

from choreo.frame import Frame

if TYPE_CHECKING:
    from choreo_sim.bus import Bus
    from choreo_sim.controller import Controller


@dataclass(frozen=True, slots=True)
class Match:
    """
    Which frames a rule is about: every condition given must hold.

    `from_ns <= t < until_ns`, where t is the start of frame, for `delay` the moment of queueing. The rule acts from the
    `nth` matching attempt on (the first is 1), `times` times, or for ever when `times` is None.
    """

    sender: str | None = None
    identifier: int | None = None
    extended: bool | None = None
    data: Callable[[bytes], bool] | None = None
    from_ns: int = 0
    until_ns: int | None = None
    nth: int = 1
    times: int | None = 1

    def fits(self, frame: Frame, sender: str, t_ns: int) -> bool:
        """Whether this frame of this sender at this time is meant; the count is the rule's affair."""
        return (
            (self.identifier is None or frame.id == self.identifier)
            and (self.sender is None or sender == self.sender)
            and (self.extended is None or frame.extended == self.extended)
            and self.from_ns <= t_ns
            and (self.until_ns is None or t_ns < self.until_ns)
            and (self.data is None or self.data(frame.data))
        )


@dataclass(frozen=True, slots=True)
class Lose:
    """The frame is on the wire and acknowledged, but the named receivers (None: all) do not get it: a full buffer."""

    to: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class Corrupt:
    """
    An error frame destroys the frame, and its sender tries again.

    `at_bit` counts bits on the wire from start of frame as 1, stuff bits included; None is the ACK delimiter, after
    which receivers signal a wrong CRC. A bit beyond the last but one of end of frame is taken as that one: an error in
    the very last bit is `Duplicate`. `flag_bits`: the superposed error flags, 6 to 12 (facts.md A9), 12 by default.
    """

    at_bit: int | None = None
    flag_bits: int = 12

    def __post_init__(self) -> None:
        if not 6 <= self.flag_bits <= 12:
            raise ValueError(f"superposed error flags of {self.flag_bits} bits; they are 6 to 12")
        if self.at_bit is not None and self.at_bit < 2:
            raise ValueError(f"an error at bit {self.at_bit}; the first that can be wrong is 2, after start of frame")


@dataclass(frozen=True, slots=True)
class Duplicate:
    """
    An error in the last bit of end of frame: receivers have the frame already, its sender takes it for lost and sends
    it again, so that they get it twice (practice.md P6).
    """


Action = Lose | Corrupt | Duplicate


What = TypeVar("What")


class _Rule(Generic[What]):
    __slots__ = ("action", "match", "seen", "told")

    def __init__(self, match: Match, action: What, told: Callable[[Frame], object] | None = None) -> None:
        self.match = match
        self.action = action
        self.seen = 0
        self.told = told  # called with each frame on which the rule acts

    @property
    def its_turn(self) -> bool:
        """Whether the next matching attempt is one that the rule acts on."""
        done = self.seen + 1 - self.match.nth
        return done >= 0 and (self.match.times is None or done < self.match.times)


class BusFaults:
    """The rules of one bus. Adding one during a run is fine; it counts from then on."""

    __slots__ = ("_bus", "_strangers", "delays", "rules")

    def __init__(self, bus: "Bus") -> None:
        self._bus = bus
        self._strangers: dict[str, Controller] = {}
        self.rules: list[_Rule[Action]] = []
        self.delays: list[_Rule[int]] = []

    def lose(self, match: Match, to: tuple[str, ...] | None = None) -> None:
        """See `Lose`."""
        self.rules.append(_Rule(match, Lose(to)))

    def corrupt(
        self,
        match: Match,
        at_bit: int | None = None,
        flag_bits: int = 12,
        told: Callable[[Frame], object] | None = None,
    ) -> None:
        """See `Corrupt`; `told` gets each frame that is destroyed. Raises ValueError for bits that cannot be."""
        self.rules.append(_Rule(match, Corrupt(at_bit, flag_bits), told))

    def duplicate(self, match: Match) -> None:
        """See `Duplicate`."""
        self.rules.append(_Rule(match, Duplicate()))

    def delay(self, match: Match, ns: int, told: Callable[[Frame], object] | None = None) -> None:
        """
        Matching frames wait `ns` nanoseconds in their sender's controller; `told` is called with each that does.

        Those behind them wait too where the controller is first in, first out.
        """
        self.delays.append(_Rule(match, ns, told))

    def forge(self, frame: Frame, at_ns: int, sender: str = "stranger") -> None:
        """Send a frame at `at_ns` that no simulated device sent; it arbitrates like any other."""
        if sender not in self._strangers:
            self._strangers[sender] = self._bus.attach(sender, _deaf, accepts=lambda identifier, extended: False)
        self._bus.kernel.at(at_ns, self._strangers[sender].send, frame)

    def judge(self, frame: Frame, sender: str, t_ns: int) -> Action | None:
        """What is to happen to this attempt; looks and does not count."""
        for rule in self.rules:
            if rule.its_turn and rule.match.fits(frame, sender, t_ns):
                return rule.action
        return None

    def count(self, frame: Frame, sender: str, t_ns: int) -> None:
        """This attempt is over."""
        for rule in self.rules:
            if rule.match.fits(frame, sender, t_ns):
                if rule.told is not None and rule.its_turn:
                    rule.told(frame)
                rule.seen += 1

    def hold_ns(self, frame: Frame, sender: str, t_ns: int) -> int:
        """How long a frame that is being queued is held back; counts it."""
        held_ns = 0
        for rule in self.delays:
            if rule.match.fits(frame, sender, t_ns):
                if not held_ns and rule.its_turn:
                    held_ns = rule.action
                    if rule.told is not None:
                        rule.told(frame)
                rule.seen += 1
        return held_ns


def _deaf(frame: Frame, t_ns: int) -> None:
    """A forger hears nothing."""
