"""
The truth about motion, in closed form: what a drive demands, and how the axis follows (`lag.py`).

A `Demand` is a chain of cubic segments; ruckig plans it, from any state, within speed, acceleration and jerk. Nothing
here steps through time: positions are evaluated when they are asked for. Positions are counts of the encoder, times
float seconds from the beginning of the demand.
"""

from bisect import bisect_right
from math import inf, isinf
from typing import NamedTuple

from ruckig import ControlInterface, InputParameter, Result, Ruckig, Trajectory

from choreo.errors import InternalError
from choreo_sim.lag import Polynomial, Response

#: ruckig plans in units of so many counts: its tolerances are absolute and meant for numbers near one. A power of two,
#: so that the conversion is exact.
UNIT = 4096.0


class Segment(NamedTuple):
    """From `start` seconds on: position, speed and acceleration there, and a constant jerk."""

    start: float
    p: float
    v: float
    a: float
    j: float


class State(NamedTuple):
    """Where a demand is: counts, counts/s, counts/s²."""

    p: float
    v: float
    a: float


class Demand:
    """Segments in order of time; the last one lasts for ever. `duration` is infinite if it does not end at rest."""

    __slots__ = ("_starts", "duration", "segments")

    def __init__(self, segments: list[Segment]) -> None:
        self.segments = segments
        self._starts = [segment.start for segment in segments]
        last = segments[-1]
        self.duration = inf if last.v or last.a or last.j else last.start

    @property
    def end(self) -> float:
        """Where it comes to rest."""
        return self.segments[-1].p

    def state(self, s: float) -> State:
        """Position, speed and acceleration `s` seconds from its beginning."""
        start, p, v, a, j = self.segments[max(bisect_right(self._starts, s) - 1, 0)]
        s -= start
        return State(p + s * (v + s * (a / 2 + s * j / 6)), v + s * (a + s * j / 2), a + s * j)


def hold(p: float) -> Demand:
    """Stay at `p`."""
    return Demand([Segment(0.0, p, 0.0, 0.0, 0.0)])


def move(state: State, target: float, speed: float, acceleration: float, jerk: float) -> Demand:
    """The fastest way from `state` to rest at `target` (from rest: facts.md E4); `jerk` may be infinite."""
    wanted = InputParameter(1)
    wanted.target_position = [(target - state.p) / UNIT]
    wanted.max_velocity = [speed / UNIT]
    return _planned(wanted, state, acceleration, jerk, target)


def ramp(state: State, speed: float, acceleration: float, jerk: float) -> Demand:
    """The fastest way from `state` to `speed`; it goes on for ever unless that is zero. `jerk` may be infinite."""
    wanted = InputParameter(1)
    wanted.control_interface = ControlInterface.Velocity
    wanted.target_velocity = [speed / UNIT]
    return _planned(wanted, state, acceleration, jerk, None)


def free(p: float, v: float, gravity: float, friction: float) -> Demand:
    """No torque: falling with `gravity` (signed, counts/s²) or, without it, coasting down with `friction` (> 0)."""
    if gravity:
        return Demand([Segment(0.0, p, v, gravity, 0.0)])
    if not v:
        return hold(p)
    seconds = abs(v) / friction
    braking = Segment(0.0, p, v, -friction if v > 0 else friction, 0.0)
    return Demand([braking, Segment(seconds, p + v * seconds / 2, 0.0, 0.0, 0.0)])


def following(demand: Demand, tau: float, y0: float) -> Response:
    """The axis behind `demand`, from `y0` on."""
    return Response([Polynomial(s.start, s.p, s.v, s.a / 2, s.j / 6) for s in demand.segments], tau, y0)


def following_error(demand: Demand, tau: float, e0: float) -> Response:
    """
    Demand less actual position, from `e0` on. It obeys e' = (tau v - e) / tau: the lag's answer to the speed, which is
    tau times the speed once settled (practice.md P8).
    """
    return Response([Polynomial(s.start, tau * s.v, tau * s.a, tau * s.j / 2, 0.0) for s in demand.segments], tau, e0)


def distance_from(demand: Demand, p: float) -> Response:
    """Demand less a position that does not follow."""
    return Response([Polynomial(s.start, s.p - p, s.v, s.a / 2, s.j / 6) for s in demand.segments], 0.0, 0.0)


def _planned(wanted: InputParameter, state: State, acceleration: float, jerk: float, target: float | None) -> Demand:
    wanted.current_position = [0.0]
    wanted.current_velocity = [state.v / UNIT]
    # Without a jerk limit the acceleration may jump, and where it comes from does not matter.
    wanted.current_acceleration = [0.0 if isinf(jerk) else state.a / UNIT]
    wanted.max_acceleration = [acceleration / UNIT]
    wanted.max_jerk = [jerk / UNIT]
    found = Trajectory(1)
    result = Ruckig(1).calculate(wanted, found)
    if result not in (Result.Working, Result.Finished):
        raise InternalError(f"the simulated drive found no profile from {state} ({result})")
    profile = found.profiles[0][0]
    segments: list[Segment] = []
    start = 0.0
    for part in (profile.brake, profile):  # the brake part brings a state outside the limits back into them
        for t, p, v, a, j in zip(part.t, part.p, part.v, part.a, part.j, strict=False):
            if t > 0:
                segments.append(Segment(start, state.p + p * UNIT, v * UNIT, a * UNIT, j * UNIT))
                start += t
    if target is not None:
        segments.append(Segment(start, target, 0.0, 0.0, 0.0))
    else:
        segments.append(Segment(start, state.p + profile.p[-1] * UNIT, wanted.target_velocity[0] * UNIT, 0.0, 0.0))
    return Demand(segments)
