"""
Transmissions that do not go the usual way: nobody acknowledges, two senders share an identifier, a fault rule acts.

`examine` decides before the start what will become of a transmission; what that means for the error counters is here
too. The superposed error flags take 6 to 12 bits, the error delimiter 8; with the intermission 17 to 23 bits pass
before anyone may send again (facts.md A9).
"""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from choreo.frame import Frame
from choreo_sim.bus_faults import Action, Corrupt, Duplicate
from choreo_sim.controller import Controller, Entry, ErrorState
from choreo_sim.framebits import END_OF_FRAME, INTERMISSION, TAIL, first_difference

if TYPE_CHECKING:
    from choreo_sim.bus import Bus

FLAG, LONGEST_FLAGS = 6, 12
ERROR_DELIMITER = 8
CUT_SEEN = 6  # bits without change after which everyone notices that a sender has gone


class Sending(NamedTuple):
    """What will become of a transmission; `error_bit` None when the receivers will have the frame."""

    name: str  # whose frame it is; the first one's where several send the same bits
    frame: Frame
    bits: int  # of the whole frame, intermission included
    senders: tuple[tuple[Controller, Entry], ...]  # all that send these very bits, with their queue entries
    beaten: tuple[
        Controller, ...
    ] = ()  # error-passive senders of the same identifier: they find a bit error and give up
    action: Action | None = None
    error_bit: int | None = None  # the bit at whose end the error is found, counted from start of frame as 1
    flag_bits: int = LONGEST_FLAGS
    what: str = ""
    unacknowledged: bool = False

    def includes(self, controller: Controller) -> bool:
        """Whether this controller sends it."""
        return any(sender is controller for sender, _ in self.senders)


def examine(bus: "Bus", start_ns: int, contenders: Sequence[Controller]) -> Sending:
    """What becomes of a transmission of those who all won the arbitration; more than one share an identifier."""
    sending = _collide(contenders)
    action = bus.faults.judge(sending.frame, sending.name, start_ns)
    if sending.error_bit is not None:
        return sending
    if bus.online - len(sending.beaten) <= len(sending.senders):
        slot = sending.bits - TAIL + 2
        return sending._replace(error_bit=slot, flag_bits=FLAG, what="nobody acknowledges", unacknowledged=True)
    if isinstance(action, Corrupt):
        last = sending.bits - INTERMISSION - 1
        bit = sending.bits - INTERMISSION - END_OF_FRAME if action.at_bit is None else min(action.at_bit, last)
        return sending._replace(action=action, error_bit=bit, flag_bits=action.flag_bits, what=f"bit {bit} is wrong")
    return sending._replace(action=action)


def _collide(contenders: Sequence[Controller]) -> Sending:
    """
    Senders whose arbitration fields are equal.

    At the first bit that differs the one that sends recessive finds a bit error. Error active, it destroys the frame.
    Error passive, its flag is recessive and disturbs nobody: it gives up, and the others go on.
    """
    senders = [(controller, controller.queue[0]) for controller in contenders]
    beaten: list[Controller] = []
    while True:
        lead = _most_dominant([entry for _, entry in senders])
        behind = [(found[0], each) for each, entry in senders if (found := first_difference(entry[2], lead[2]))]
        sending = Sending(senders[0][0].name, lead[2], lead[5], tuple(senders), tuple(beaten))
        if not behind:
            return sending
        bit = min(place for place, _ in behind)
        losers = [each for place, each in behind if place == bit]
        if any(loser.state is ErrorState.ACTIVE for loser in losers):
            names = " and ".join(each.name for each, _ in senders)
            return sending._replace(error_bit=bit, what=f"bit {bit} differs between {names}")
        beaten += losers
        senders = [(each, entry) for each, entry in senders if each not in losers]


def _most_dominant(entries: Sequence[Entry]) -> Entry:
    """The one that has the dominant bit wherever it first differs from another."""
    lead = entries[0]
    for entry in entries[1:]:
        found = first_difference(entry[2], lead[2])
        if found is not None and found[1]:
            lead = entry
    return lead


def count_good(controllers: Iterable[Controller], sending: Sending) -> bool:
    """A frame went well: lower the counters; returns whether every counter is at zero."""
    for controller in controllers:
        if not controller.online:
            continue
        if sending.includes(controller):
            controller.good_as_sender()
        elif controller in sending.beaten:
            controller.error_as_sender()
        else:
            controller.good_as_receiver()
    return not any(controller.tec or controller.rec for controller in controllers)


def count_bad(controllers: Iterable[Controller], sending: Sending) -> None:
    """
    A frame was destroyed: raise the counters.

    A sender that is error passive and finds nobody to acknowledge counts no further: so a lone node never reaches bus
    off (facts.md A10).
    """
    for controller in controllers:
        if not controller.online:
            continue
        if sending.includes(controller):
            if not (sending.unacknowledged and controller.state is ErrorState.PASSIVE):
                controller.error_as_sender()
        elif controller in sending.beaten:
            controller.error_as_sender()
        elif not isinstance(sending.action, Duplicate):  # receivers take that for an overload, not for an error
            controller.error_as_receiver()
