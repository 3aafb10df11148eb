"""
One axis as a body: where it is, what holds it, and what it runs into.

Positions inside are counts of the encoder as it stood at power-up, as floats, so that a position is exact to far less
than a count. The body follows its drive's demand with a first-order lag while it has power, is held by its brake, falls
or coasts without either, and sticks when a fault says so. Switches, buffers and the home edge are found by root search
when a motion begins, and come as kernel events.
"""

from collections.abc import Callable
from fractions import Fraction
from math import ceil, inf
from random import Random

from choreo_sim.kernel import Handle, Kernel
from choreo_sim.lag import Response
from choreo_sim.motion_truth import Demand, Segment, State, following, free, hold, ramp
from choreo_sim.truth import AxisTruth, Damage, HomeSwitch

#: Standard acceleration of free fall in m/s² (ISO 80000-3), here in mm/s²: vertical axes count in mm.
GRAVITY = 9806.65


class Mechanics:
    """
    The body of one axis. Its drive sets the callbacks: `on_limit(-1 or +1)` when a limit switch closes (in the drive's
    counting direction), `on_edge(counts)` when the armed home edge is passed, `on_released()` when the brake has opened
    under power, `on_change()` whenever the body begins to move in another way; `observers` are told of that too.
    """

    def __init__(self, kernel: Kernel, truth: AxisTruth, damage: list[Damage], seed: int) -> None:
        self.truth = truth
        self.powered = False
        self.braked = truth.brake is not None
        self.stuck = False
        self.against = 0  # the buffer that it is pressed against: -1, +1 in counts, or 0
        self.edge_armed = False
        # What faults put here: a home switch that tells something else, a brake that creeps, sinks, or does not open.
        self.home_level: Callable[[int, bool], bool] | None = None  # (time, true level) -> what is told
        self.creep = 0.0  # counts/s through the closed brake when there is no power
        self.more_sag = 0.0  # counts
        self.brake_stuck = False
        self.on_limit: Callable[[int], None] = _ignore
        self.on_edge: Callable[[float], None] = _ignore
        self.on_released: Callable[[], None] = _nothing
        self.on_change: Callable[[], None] = _nothing
        self.observers: list[Callable[[], None]] = []
        self._kernel = kernel
        self._damage = self.damage = damage
        self._random = Random(f"mechanics {truth.name} {seed}")
        self._factor = float(-truth.counts_per_unit if truth.inverted else truth.counts_per_unit)
        self.lag = truth.lag_ns * 1e-9  # seconds
        self._limits = self._sorted(truth.limit_switches)
        self._buffers = self._sorted(truth.buffers)
        self._edges = [(self.counts(float(home.edge)), home) for home in truth.home]
        self._brake_timer: Handle | None = None
        self._coil = self.braked  # what the brake was told last: whether to hold
        self._events: list[Handle] = []
        self.path: Response = following(hold(float(truth.encoder_at_power_up)), 0.0, 0.0)
        self.since_ns = kernel.now_ns

    def counts(self, position: float) -> float:
        """The encoder's counts at a position of the machine."""
        return self.truth.encoder_at_power_up + (position - float(self.truth.start)) * self._factor

    def units(self, counts: float) -> float:
        """The position of the machine at a count of the encoder."""
        return float(self.truth.start) + (counts - self.truth.encoder_at_power_up) / self._factor

    def at(self, t_ns: int) -> float:
        """The encoder's counts at `t_ns`, not before the last change."""
        return self.path.at((t_ns - self.since_ns) * 1e-9)

    def speed(self, t_ns: int) -> float:
        """Counts/s at `t_ns`."""
        return self.path.slope((t_ns - self.since_ns) * 1e-9)

    def position(self, t_ns: int) -> float:
        """Where the axis truly is, in its unit."""
        return self.units(self.at(t_ns))

    @property
    def follows(self) -> bool:
        """Whether the body goes after its drive's demand."""
        return self.powered and not (self.braked or self.stuck or self.against)

    @property
    def sag(self) -> float:
        """How far the load sinks when the brake opens, in counts (signed)."""
        brake = self.truth.brake
        return -float(brake.sag) * self._factor + self.more_sag if brake is not None and self.truth.vertical else 0.0

    def limit_active(self, side: int, t_ns: int) -> bool:
        """Whether the limit switch at the drive's negative (-1) or positive (+1) end is closed."""
        y = self.at(t_ns)
        return y < self._limits[0] if side < 0 else y >= self._limits[1]

    def home_active(self, t_ns: int) -> bool:
        """Whether a home switch is closed."""
        position = self.position(t_ns)
        level = any((position - float(home.edge)) * home.towards >= 0 for home in self.truth.home)
        return level if self.home_level is None else self.home_level(t_ns, level)

    def follow(self, demand: Demand) -> None:
        """A new demand that begins now. Without power or with the brake closed the body does not care."""
        now = self._kernel.now_ns
        if not self.powered or self.braked or self.stuck:
            return
        y = self.at(now)
        if self.against:
            outward = demand.end - y if demand.duration != inf else demand.segments[-1].v
            if outward * self.against >= 0:
                return
            self.against = 0
        self._set(following(demand, self.lag, y))

    def power(self, on: bool, demand: Demand) -> None:
        """Torque on, from then on after `demand`; or off, and the axis coasts or falls unless the brake holds it."""
        self.powered = on
        if on:
            if self.braked and self.creep:
                self._set(_still(self.at(self._kernel.now_ns)))
            self.follow(demand)
        else:
            self._let_go()

    def brake_output(self, applied: bool) -> None:
        """Switch the brake's coil; the brake itself follows after its time. Told again it is under way already."""
        brake = self.truth.brake
        if brake is None or (self.brake_stuck and not applied) or applied == self._coil:
            return
        self._coil = applied
        if self._brake_timer is not None:
            self._kernel.cancel(self._brake_timer)
        delay = brake.engage_ns if applied else brake.release_ns
        self._brake_timer = self._kernel.at(self._kernel.now_ns + delay, self._brake_moved, applied)

    def put(self, counts: float, *, powered: bool) -> None:
        """Before anything moves: it stands there, held by its drive, or by its brake if it has one."""
        if self._brake_timer is not None:
            self._kernel.cancel(self._brake_timer)
            self._brake_timer = None
        self.powered = powered
        self.braked = self._coil = self.truth.brake is not None and not powered
        self._set(_still(counts))

    def stick(self) -> None:
        """From now on nothing moves this axis."""
        self.stuck = True
        self._set(_still(self.at(self._kernel.now_ns)))

    def creep_down(self, speed: float) -> None:
        """From now on the load creeps through its closed brake at `speed` (counts/s, signed) when it has no power."""
        self.creep = speed
        if self.braked and not self.powered:
            self._let_go()

    def arm_edge(self) -> None:
        """Report the next passing of the home edge, in either direction, once."""
        self.edge_armed = True
        self._watch()

    def _sorted(self, ends: tuple[Fraction, Fraction]) -> tuple[float, float]:
        a, b = (self.counts(float(end)) for end in ends)
        return (a, b) if a < b else (b, a)

    def _brake_moved(self, applied: bool) -> None:
        if applied == self.braked:
            return
        self.braked = applied
        now = self._kernel.now_ns
        if applied:
            assert self.truth.brake is not None
            deceleration = float(self.truth.brake.deceleration) * abs(self._factor)
            self._set(_exactly(ramp(State(self.at(now), self.speed(now), 0.0), self._held_at(), deceleration, inf)))
        elif self.powered:
            self.on_released()
        else:
            self._let_go()

    def _held_at(self) -> float:
        """At which speed a closed brake holds the axis: standing, unless it creeps and nothing else holds it."""
        return 0.0 if self.powered else self.creep

    def _let_go(self) -> None:
        if self.braked and self.creep and not (self.stuck or self.creep * self.against > 0):
            self.against = 0
            self._set(_exactly(Demand([Segment(0.0, self.at(self._kernel.now_ns), self.creep, 0.0, 0.0)])))
        if self.braked or self.stuck:
            return
        now = self._kernel.now_ns
        gravity = -GRAVITY * self._factor if self.truth.vertical else 0.0
        if self.against and gravity * self.against >= 0:
            return
        self.against = 0
        friction = float(self.truth.friction) * abs(self._factor)
        self._set(_exactly(free(self.at(now), self.speed(now), gravity, friction)))

    def _set(self, path: Response) -> None:
        self.path = path
        self.since_ns = self._kernel.now_ns
        self._watch()
        self.on_change()
        for observer in self.observers:
            observer()

    def _watch(self) -> None:
        """Put every switch and buffer that lies ahead on the kernel's heap."""
        for event in self._events:
            self._kernel.cancel(event)
        self._events = []
        after = (self._kernel.now_ns - self.since_ns) * 1e-9
        here = self.path.at(after)
        if self.path.bounds() == (here, here):
            return
        for side, limit, buffer in ((-1, *self._outer(0)), (1, *self._outer(1))):
            self._expect(self._entering(limit, side, here, after), self._at_limit, side)
            self._expect(self._entering(buffer, side, here, after), self._at_buffer, side)
        if self.edge_armed:
            passes = [(self.path.first_crossing(level, after), home) for level, home in self._edges]
            for s, home in passes:
                self._expect(s, self._at_edge, home)

    def _outer(self, end: int) -> tuple[float, float]:
        return self._limits[end], self._buffers[end]

    def _entering(self, level: float, side: int, here: float, after: float) -> float | None:
        """When the body next goes beyond `level`."""
        found = self.path.first_crossing(level, after)
        if found is not None and (here >= level) == (side > 0):
            return self.path.first_crossing(level, found)  # it is beyond now, and comes back first
        return found

    def _expect(self, s: float | None, callback: Callable[..., None], arg: object) -> None:
        if s is not None:
            t_ns = max(self.since_ns + ceil(s * 1e9), self._kernel.now_ns)
            self._events.append(self._kernel.at(t_ns, callback, arg))

    def _at_limit(self, side: int) -> None:
        self.on_limit(side)

    def _at_buffer(self, side: int) -> None:
        now = self._kernel.now_ns
        level = self._buffers[0 if side < 0 else 1]
        speed = abs(self.speed(now) / self._factor)
        place = f"{self.units(level):.1f} {self.truth.unit}"
        self._damage.append(
            Damage(now, f"{self.truth.name} ran into its buffer at {place} with {speed:.1f} {self.truth.unit}/s")
        )
        self.against = side
        self._set(_still(level))

    def _at_edge(self, home: HomeSwitch) -> None:
        if not self.edge_armed:
            return
        self.edge_armed = False
        scatter = float(home.scatter) * (2 * self._random.random() - 1) if home.scatter else 0.0
        self.on_edge(self.counts(float(home.edge) + scatter))


def _still(y: float) -> Response:
    return following(hold(y), 0.0, y)


def _exactly(demand: Demand) -> Response:
    return following(demand, 0.0, demand.segments[0].p)


def _ignore(_: object) -> None:
    return None


def _nothing() -> None:
    return None
