"""
A drive's motion control: power, brake, demand, stops, and the trips that protect the machine.

Everything takes effect at the drive's internal cycle, whose phase is its own (practice.md P32). Positions inside are
counts as at power-up; `shift` turns them into the counts that the bus sees, and `home` changes nothing but `shift`.

A fault brakes with the quick stop and then holds under power, so that a vertical axis does not fall (practice.md P15,
P16); only "overcurrent" and "position feedback lost" take the power and apply the brake at once: a drive cannot hold
with them. After a stop has begun, moves and starts are refused until the axis stands. The quick stop has no jerk limit.
"""

from collections.abc import Callable
from enum import StrEnum
from fractions import Fraction
from math import floor, inf
from random import Random

from choreo_sim.dialect_reader import DriveDialect
from choreo_sim.kernel import Handle, Kernel
from choreo_sim.load_slot import Load, LoadSlot
from choreo_sim.mechanics import Mechanics
from choreo_sim.motion_truth import Demand, State, distance_from, following_error, hold, move, ramp

STANDSTILL = 256.0  # counts/s below which a drive calls its axis standing
IN_POSITION = 32.0  # counts from the target within which a drive calls it reached

#: What is set at power-up where the machine file says nothing: slow and careful, as delivered. Counts, counts/s and so
#: on, and per cent.
AS_DELIVERED = {
    "speed": Fraction(1 << 16),
    "acceleration": Fraction(1 << 18),
    "jerk": Fraction(1 << 22),
    "quick_stop": Fraction(1 << 22),
    "following_error": Fraction(1 << 14),
    "torque_limit": Fraction(100),
}
#: Without these a drive does not watch or limit anything; the others it has, whether a host can set them or not.
MAY_LACK = frozenset({"following_error", "torque_limit"})
FASTEST = 1e9  # counts/s, where a drive is told that there is no limit


def wrapped(counts: int, held: tuple[int, int]) -> int:
    """What a counter that holds only so much says for a position beyond it."""
    low, high = held
    return low + (counts - low) % (high - low + 1)


class Fault(StrEnum):
    """What trips a drive, in the words of the dialect file."""

    FOLLOWING_ERROR = "following error"
    OVERCURRENT = "overcurrent"
    NEGATIVE_LIMIT = "negative limit switch reached"
    POSITIVE_LIMIT = "positive limit switch reached"
    FEEDBACK_LOST = "position feedback lost"
    NOT_FED = "nothing heard from the host"


#: With these a drive cannot hold: it takes the power and applies the brake.
CANNOT_HOLD = frozenset({Fault.OVERCURRENT, Fault.FEEDBACK_LOST})


class Servo:
    """The motion control of one drive."""

    def __init__(
        self, kernel: Kernel, dialect: DriveDialect, mechanics: Mechanics, seed: int, on_fault: Callable[[int], None]
    ) -> None:
        self.mechanics = mechanics
        self.load = LoadSlot(dialect.loads)
        self.enabled = False
        self.fault = 0
        self.homed = False
        self.notices = True  # whether the following-error window is watched
        self.begun: list[Callable[[Demand], None]] = []  # told of every motion that begins
        self.diverts: Callable[[State], Demand | None] | None = None  # may turn a stop into something else
        self._kernel = kernel
        self._dialect = dialect
        self._random = Random(f"servo {mechanics.truth.name} {seed}")
        self._phase_ns = self._random.randrange(dialect.cycle_ns) if dialect.cycle_ns else 0
        self._on_fault = on_fault
        self._noise = mechanics.truth.noise_counts // 2
        self._pending: list[Handle] = []  # motions that were accepted and have not begun
        self._trip: Handle | None = None
        self._ramp = ""  # "stop" or "quick_stop" while one of them lasts
        mechanics.on_limit = self._limit_reached
        mechanics.on_edge = self._edge_passed
        mechanics.on_released = self._brake_opened
        mechanics.on_change = self._watch_following_error
        self._delivered = {
            rule.name: rule.nearest(AS_DELIVERED[rule.name])
            for rule in dialect.settings.values()
            if rule.name in AS_DELIVERED
        }
        self.settings: dict[str, int] = {}  # raw, by name
        self.stored: dict[str, int] = {}  # how often each permanent setting was written (practice.md P23)
        self.demanded = dialect.position_is == "demanded"  # the position that is told is the demand (practice.md P11)
        self.power_up()

    def power_up(self) -> None:
        """As after switching on: nothing is known, nothing is held, nothing is set."""
        kept = {name: self.settings[name] for name in self._dialect.permanent if name in self.settings}
        self.settings = {**self._delivered, **self.mechanics.truth.settings, **kept}
        self.enabled = False
        self.fault = 0
        self.homed = False
        found = floor(self.mechanics.at(self._kernel.now_ns) + 0.5)
        self.shift = wrapped(found, self._dialect.position_range()) - found
        self.latch: int | None = None
        self._drop_pending()
        self._rest_at(self.mechanics.at(self._kernel.now_ns))
        self.mechanics.power(False, self._demand)
        self.mechanics.brake_output(True)
        self.load.meets("power_cycle")

    def begin_at(self, counts: float, *, told: int, homed: bool, powered: bool, fault: int) -> None:
        """Before anything moves: as an earlier run left it, standing at `counts` and telling `told` as its position."""
        self._rest_at(counts)
        self.mechanics.put(counts, powered=powered)
        self.enabled = powered
        self.homed = homed
        self.fault = fault
        self.shift = told - floor(counts + 0.5)

    # What the drive says of itself.

    def reading(self, t_ns: int) -> int:
        """The position as the encoder tells it at `t_ns`: quantised, with noise, in the counts of the bus."""
        if self.demanded:
            return floor(self._state().p + 0.5) + self.shift
        counts = floor(self.mechanics.at(t_ns) + 0.5) + self.shift
        if self._noise:
            return counts + int(self._random.random() * (2 * self._noise + 1)) - self._noise
        return counts

    def moving(self, t_ns: int) -> bool:
        """Whether a motion is to begin, is under way, or the axis has not come to rest."""
        return bool(self._pending) or t_ns < self._end_ns or abs(self.mechanics.speed(t_ns)) > STANDSTILL

    def stopping(self, t_ns: int) -> bool:
        """Whether a stop lasts, during which nothing else may move the axis."""
        return bool(self._ramp) and t_ns < self._end_ns

    def in_position(self, t_ns: int) -> bool:
        """Whether the axis stands, under power, where it was sent."""
        distance = abs(self.mechanics.at(t_ns) - self._demand.end)
        return self.enabled and not self.moving(t_ns) and distance <= IN_POSITION

    def meaning(self, name: str) -> float:
        """
        A setting in counts, counts/s and so on; infinite where its raw value means that there is no limit.

        What the dialect cannot set the drive has all the same: as the machine file says, in counts, or as delivered.
        """
        if self._dialect.has_setting(name):
            return self._dialect.setting(name).meaning(self.settings[name])
        if name in MAY_LACK:
            return inf
        return float(self.settings.get(name, AS_DELIVERED.get(name, inf)))

    # Commands. Whether they are allowed is the protocol's affair.

    def set(self, name: str, raw: int) -> None:
        """Write a setting; it holds from the next motion on, the window at once."""
        if name in self._dialect.permanent:
            self.stored[name] = self.stored.get(name, 0) + 1
        self.settings[name] = raw
        self._watch_following_error()

    def enable(self) -> None:
        """Torque on, at the place where the axis is found; what is still moving is caught with the quick stop."""
        if self.enabled:
            return
        now = self._kernel.now_ns
        self.enabled = True
        found = State(self.mechanics.at(now), self.mechanics.speed(now), 0.0)
        caught = abs(found.v) > STANDSTILL
        self._take(ramp(found, 0.0, self.meaning(self._dialect.quick_stop_ramp), inf) if caught else hold(found.p))
        self.mechanics.power(True, self._demand)

    def disable(self) -> None:
        """Torque off, at once, whatever the brake does."""
        self.enabled = False
        self._drop_pending()
        self._rest_at(self.mechanics.at(self._kernel.now_ns))
        self.mechanics.power(False, self._demand)
        self.load.meets("disable")

    def reset_fault(self) -> None:
        """Forget the fault; the demand is taken back to where the axis is."""
        if self.fault:
            self.fault = 0
            self._rest_at(self.mechanics.at(self._kernel.now_ns))
            self.mechanics.follow(self._demand)

    def arm_latch(self) -> None:
        """Forget a captured edge and wait for the next."""
        self.latch = None
        self.mechanics.arm_edge()

    def home(self, edge: int) -> None:
        """The captured edge lies at `edge`: everything the bus sees shifts so that it does."""
        assert self.latch is not None
        self.shift = edge - self.latch
        self.homed = True

    def start(self, load: Load) -> None:
        """Go to a target at the next cycle."""
        self._soon(self._begin, load)

    def trigger(self, delay_ns: int = 0) -> None:
        """The start trigger: what is held begins a latch time and up to a cycle later (practice.md P32)."""
        if self.can_start():
            load = self.load.take()
            if load is not None:
                self._soon(self._begin, load, self._dialect.latch_ns + delay_ns)

    def can_start(self) -> bool:
        """Whether anything could be set off now."""
        return self.enabled and not self.fault and not self.mechanics.braked and not self.stopping(self._kernel.now_ns)

    def stop(self, kind: str) -> None:
        """Brake, with the ramp that the dialect gives to `stop` or `quick_stop`, and drop what has not begun."""
        self._drop_pending()
        self.load.meets(kind)
        self._kernel.at(self._tick(0), self._brake, kind)

    def force(self, demand: Demand) -> None:
        """A fault of the drive's own: it goes where nobody sent it."""
        self._drop_pending()
        self._follow(demand)

    def state(self) -> State:
        """Where the demand is now."""
        return self._state()

    def trip(self, fault: Fault, ramp_of: str = "quick_stop") -> None:
        """A fault: brake, as for `ramp_of`, and tell. A second one while one stands changes nothing."""
        if self.fault:
            return
        self.fault = self._dialect.fault_code(fault)
        self._on_fault(self.fault)
        self._drop_pending()
        self.homed = self.homed and fault is not Fault.FEEDBACK_LOST  # practice.md P17
        if fault in CANNOT_HOLD:
            self.mechanics.brake_output(True)
            self.disable()
        else:
            self._kernel.at(self._tick(0), self._brake, ramp_of)

    # Inside.

    def _tick(self, delay_ns: int) -> int:
        """The first internal cycle that begins in `delay_ns` or later."""
        cycle = self._dialect.cycle_ns
        earliest = self._kernel.now_ns + delay_ns
        return earliest + (self._phase_ns - earliest) % cycle if cycle else earliest

    def _soon(self, action: Callable[[Load], None], load: Load, delay_ns: int = 0) -> None:
        self._pending.append(self._kernel.at(self._tick(delay_ns), action, load))

    def _drop_pending(self) -> None:
        for handle in self._pending:
            self._kernel.cancel(handle)
        self._pending = []

    def _state(self) -> State:
        """The demand now; where a buffer holds the axis, the place where it is held."""
        now = self._kernel.now_ns
        if self.mechanics.against:
            return State(self.mechanics.at(now), 0.0, 0.0)
        if now >= self._end_ns:
            return State(self._demand.end, 0.0, 0.0)
        return self._demand.state((now - self._since_ns) * 1e-9)

    def _take(self, demand: Demand, kind: str = "") -> None:
        self._demand = demand
        self._since_ns = self._kernel.now_ns
        self._end_ns = self._since_ns + demand.duration * 1e9
        self._ramp = kind

    def _rest_at(self, p: float) -> None:
        self._take(hold(p))

    def _follow(self, demand: Demand, kind: str = "") -> None:
        self._take(demand, kind)
        self.mechanics.follow(demand)
        if not self.mechanics.follows:
            self._watch_following_error()  # the body did not begin to move; the demand did
        for told in self.begun:
            told(demand)

    def _begin(self, load: Load) -> None:
        """A motion begins, unless something has come in between."""
        self._pending = [handle for handle in self._pending if handle[4] is not load]
        if not self.can_start():
            return
        now = self._kernel.now_ns
        state = self._state()
        target = self.load.resolve(
            load,
            target=self._demand.end + self.shift,
            demand=state.p + self.shift,
            actual=lambda: self.mechanics.at(now) + self.shift,
        )
        raw = load.speed
        speed = self.meaning("speed") if raw is None else self._dialect.setting(self._dialect.move_speed).meaning(raw)
        speed = min(speed, FASTEST) * load.part
        jerk = self.meaning("jerk") if self._dialect.jerk_limited else inf
        demand = move(state, target - self.shift, speed, self.meaning("acceleration"), jerk)
        side = 1 if demand.end > state.p else -1
        if demand.end != state.p and self.mechanics.limit_active(side, now):
            self._limit_reached(side)
        else:
            self._follow(demand)

    def _brake(self, kind: str) -> None:
        now = self._kernel.now_ns
        if not self.enabled or now >= self._end_ns or (self._ramp == "quick_stop" and now < self._end_ns):
            return
        state = self._state()
        other = self.diverts(state) if self.diverts is not None else None
        if other is not None:
            self._follow(other)
        elif kind == "quick_stop":
            self._follow(ramp(state, 0.0, self.meaning(self._dialect.quick_stop_ramp), inf), kind)
        else:
            jerk = self.meaning("jerk") if self._dialect.jerk_limited else inf
            self._follow(ramp(state, 0.0, self.meaning(self._dialect.stop_ramp), jerk), kind)

    def _watch_following_error(self) -> None:
        """Find when the demand will have left the axis by more than the window."""
        if self._trip is not None:
            self._kernel.cancel(self._trip)
            self._trip = None
        window = self.meaning("following_error")
        if not (self.enabled and self.notices) or self.fault or window == inf:
            return
        now = self._kernel.now_ns
        after = (now - self._since_ns) * 1e-9
        actual = self.mechanics.at(now)
        if self.mechanics.follows and self.mechanics.since_ns == self._since_ns:
            error = following_error(self._demand, self.mechanics.lag, self._demand.state(0.0).p - actual)
        else:
            error = distance_from(self._demand, actual)
        if abs(error.at(after)) > window:
            moments = [after]
        else:
            moments = [s for level in (window, -window) if (s := error.first_crossing(level, after)) is not None]
        if moments:
            t_ns = self._since_ns + floor(min(moments) * 1e9)
            self._trip = self._kernel.at(max(t_ns, now), self._following_error)

    def _following_error(self, _: object) -> None:
        self.trip(Fault.FOLLOWING_ERROR)

    def _limit_reached(self, side: int) -> None:
        if self.enabled:
            self.trip(Fault.NEGATIVE_LIMIT if side < 0 else Fault.POSITIVE_LIMIT)

    def _edge_passed(self, counts: float) -> None:
        self.latch = floor(counts + 0.5)

    def _brake_opened(self) -> None:
        """The load sinks a little into the drive's hands, which hold it there."""
        self._rest_at(self.mechanics.at(self._kernel.now_ns) + self.mechanics.sag)
        self.mechanics.follow(self._demand)
