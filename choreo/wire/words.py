"""The vocabulary of the wire that every family shares."""

from enum import StrEnum


class FrameClass(StrEnum):
    """What a frame can do to a machine. The guard and the withdrawal of waiting frames decide by it."""

    LOADS = "loads"  # puts a move into a drive that waits for the trigger
    STARTS = "starts"  # sets loaded moves off
    MOVES = "moves"  # moves at once
    STOPS = "stops"
    CLEARS = "clears"  # empties a load
    ENABLES = "enables"  # puts an axis under power, or releases a brake
    DISABLES = "disables"  # takes power away, or applies a brake
    SETS = "sets"  # writes a setting or declares a position
    RESETS = "resets"  # resets a fault
    SWITCHES = "switches"  # switches an output of a drive, which may move something that is no axis
    NEUTRAL = "neutral"  # reads, echoes


#: What moves an axis, or makes it ready to move. Never handed over after the first stop frame of a run.
MOTION = frozenset(
    {
        FrameClass.LOADS,
        FrameClass.STARTS,
        FrameClass.MOVES,
        FrameClass.ENABLES,
        FrameClass.RESETS,
        FrameClass.SWITCHES,
    }
)


class Setting(StrEnum):
    """The settings of a drive that choreo knows by meaning."""

    SPEED = "speed"  # the highest speed that a move may ask for
    ACCELERATION = "acceleration"  # both ramps of a move, and the ramp of a stop
    JERK = "jerk"
    QUICK_STOP = "quick_stop"  # deceleration of the quick stop
    FOLLOWING_ERROR = "following_error"  # the drive's own window, counts
    TORQUE_LIMIT = "torque_limit"  # per cent of rated torque
