"""
Drives that begin as an earlier run left them, and not as after switching on.

A drive that has a home counts from the machine's zero, so its counts say where the axis is. One without home counts
from where its encoder stood at power-up, which is the same in every run of a seed. Where that would be beyond a buffer
(it was another machine's count), the axis begins where it always does, and only its counts are those that were left.
"""

from choreo.link.port import SimulatedLeft
from choreo_sim.mechanics import Mechanics
from choreo_sim.servo import Servo


def begin_as_left(mechanics: Mechanics, servo: Servo, left: SimulatedLeft) -> None:
    """Put an axis where it was left, homed and under power as it was."""
    truth = mechanics.truth
    if left.homed:
        position = left.counts / float(-truth.counts_per_unit if truth.inverted else truth.counts_per_unit)
        counts = mechanics.counts(position)
    else:
        counts = float(left.counts)
    low, high = (float(end) for end in truth.buffers)
    if not low <= mechanics.units(counts) <= high:
        counts = float(truth.encoder_at_power_up)
    servo.begin_at(counts, told=left.counts, homed=left.homed, powered=left.powered, fault=left.fault)
