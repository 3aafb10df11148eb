"""The power states of a drive, decoded from its statusword (facts.md C2, C3; CiA 402)."""

from enum import StrEnum

TARGET_REACHED = 1 << 10  # a bit of the statusword; what it means depends on the mode


class PowerState(StrEnum):
    """The states as the standard spells them, and `UNKNOWN` for a statusword that belongs to none."""

    NOT_READY_TO_SWITCH_ON = "not ready to switch on"
    SWITCH_ON_DISABLED = "switch on disabled"
    READY_TO_SWITCH_ON = "ready to switch on"
    SWITCHED_ON = "switched on"
    OPERATION_ENABLED = "operation enabled"
    QUICK_STOP_ACTIVE = "quick stop active"
    FAULT_REACTION_ACTIVE = "fault reaction active"
    FAULT = "fault"
    UNKNOWN = "unknown"


#: (state, mask, value): the state when `statusword & mask == value`.
STATE_TABLE: tuple[tuple[PowerState, int, int], ...] = (
    (PowerState.NOT_READY_TO_SWITCH_ON, 0x4F, 0x00),
    (PowerState.SWITCH_ON_DISABLED, 0x4F, 0x40),
    (PowerState.READY_TO_SWITCH_ON, 0x6F, 0x21),
    (PowerState.SWITCHED_ON, 0x6F, 0x23),
    (PowerState.OPERATION_ENABLED, 0x6F, 0x27),
    (PowerState.QUICK_STOP_ACTIVE, 0x6F, 0x07),
    (PowerState.FAULT_REACTION_ACTIVE, 0x4F, 0x0F),
    (PowerState.FAULT, 0x4F, 0x08),
)

#: States in which the motor is under power.
POWERED = frozenset({PowerState.OPERATION_ENABLED, PowerState.QUICK_STOP_ACTIVE, PowerState.FAULT_REACTION_ACTIVE})
FAULTED = frozenset({PowerState.FAULT_REACTION_ACTIVE, PowerState.FAULT})


def power_state(statusword: int) -> PowerState:
    """The state of a statusword, 0 to 0xFFFF."""
    for state, mask, value in STATE_TABLE:
        if statusword & mask == value:
            return state
    return PowerState.UNKNOWN
