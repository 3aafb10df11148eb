"""
Homing on the home switch, of one axis or of the two sides of a beam together (practice.md P19, common practice, no
source).

    1  a switch that is active at the start: back off first
    2  approach together at search speed; the first switch stops all
    3  the other side crawls on to its own switch, by `square_limit` at most
    4  back off together; the switches must be free again
    5  crawl towards the switches together until every drive has captured its edge
    6  square the beam slowly under a torque limit, then declare the edges' positions
    7  move to `rest_at`, from where the recipe goes on exactly

Homing each side by itself would rack the beam; so would letting one stand while the other backs off.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from fractions import Fraction

from choreo.drive.conversation import Conversation, Pause
from choreo.errors import MachineFault
from choreo.motion.profile import move_profile
from choreo.plan.conduct import LOOK_NS, PHASE_SETTLE_NS
from choreo.plan.model import Home
from choreo.plan.onset import noticeable, onset_limit_ns
from choreo.run.axes import Axis
from choreo.run.context import Run, unexpected
from choreo.run.log import MS
from choreo.run.steps.motion import Part, figures, load, start, travel
from choreo.run.steps.power import take_reference
from choreo.run.watch.watchers import PairWatch
from choreo.wire.words import Setting

SWITCH = "home_switch"
#: An axis that was told to stop must stand within this time beyond its ramp.
STOP_MARGIN_NS = 500 * MS
#: Arrival between the phases: close enough to go on from, in the axis' unit.
PHASE_WINDOW = Fraction(1, 20)
#: A beam that is squarer than this is left as it is.
SQUARE_ENOUGH = Fraction(1, 50)


async def home(run: Run, action: Home) -> None:
    """See the module. Raises MachineFault with the phase that failed; the home of the axes is then not valid."""
    axes = run.pick(action.axes)
    await run.fresh_readings(axes)
    await run.each(axes, lambda drive: drive.arm_latch())  # from here on the drives look for their switches
    again = all(axis.home_valid for axis in axes)
    for axis in axes:
        if axis.home_valid:  # homed again: the search goes beyond the soft limits, from where it stands now
            axis.home_valid = False
            take_reference(run, axis, axis.counts)
    pair = run.pair_of(axes)
    homing = _Homing(run, action, axes, pair)
    with homing.skew_allowed():
        await homing.free_switches()
        hit = await homing.approach()
        await homing.crawl_on([axis for axis in axes if axis not in hit])
        await homing.back_off()
        edges = await homing.find_edges()
        if again:
            homing.look_for_shift(edges)
        await homing.square(edges)
        await homing.declare(edges)
    await homing.rest()


class _Homing:
    """The phases, with what they share."""

    def __init__(self, run: Run, action: Home, axes: list[Axis], pair: PairWatch | None) -> None:
        self.run = run
        self.action = action
        self.axes = axes
        self.pair = pair

    @contextmanager
    def skew_allowed(self) -> Iterator[None]:
        """
        While the beam is being squared its sides may differ by `square_limit` more than otherwise. When homing is
        broken off they may stay so: the skew is watched while the run is stopping, too.
        """
        if self.pair is not None:
            self.pair.limit = float(self.pair.plan.trip + self.action.square_limit)
        yield
        if self.pair is not None:
            self.pair.limit = float(self.pair.plan.trip)

    # ---- phases ------------------------------------------------------------------------------------------------

    async def free_switches(self) -> None:
        """Phase 1."""
        if any(await self._active(self.axes)):
            await self.back_off()

    async def approach(self) -> list[Axis]:
        """Phase 2: the axes whose switch was active when the group was stopped."""
        within = min(self.action.within, *(self._reach(axis) for axis in self.axes))
        await self._set_off(self.axes, within, self.action.search_raw, self.action.search)
        hit = await self._until_switch(self.axes, within)
        await self._stop(self.axes)
        return hit

    async def crawl_on(self, others: list[Axis]) -> None:
        """Phase 3."""
        missing = [axis for axis, active in zip(others, await self._active(others), strict=True) if not active]
        if not missing:
            return
        limit = self.action.square_limit
        await self._set_off(missing, limit, self._raws(missing, self.action.crawl_raw), self.action.crawl)
        await self._until_switch(missing, limit)
        await self._stop(missing)

    async def back_off(self) -> None:
        """Phase 4."""
        parts = self._parts(self.axes, -self.action.back_off, self.action.search_raw, self.action.search)
        await travel(self.run, parts, _windows(self.axes), PHASE_SETTLE_NS)
        for axis, active in zip(self.axes, await self._active(self.axes), strict=True):
            if active:
                raise unexpected(
                    axis,
                    f"its home switch is still active after backing off by {_show(axis, self.action.back_off)}",
                    "home-switch-stuck",
                    "The switch sticks, is bridged, or its cam is longer than `back_off`.",
                )

    async def find_edges(self) -> list[int]:
        """Phase 5: the captured edge of each axis, in counts."""
        await self.run.each(self.axes, lambda drive: drive.arm_latch())
        reach = self.action.back_off + self.action.square_limit
        await self._set_off(self.axes, reach, self.action.crawl_raw, self.action.crawl)
        edges: list[int] = await self.run.session.run(
            *((axis.plan.index, self._until_edge(axis, reach)) for axis in self.axes)
        )
        await self._stop(self.axes)
        return edges

    def look_for_shift(self, edges: Sequence[int]) -> None:
        """Touched again, a switch must lie where it was: the drive still counts from the last homing."""
        limit = self.action.shift_limit
        for axis, edge, declared in zip(self.axes, edges, self.action.home_at, strict=True):
            shift = Fraction(edge) / axis.plan.counts_per_unit - declared
            self.run.session.record("shift", axis=axis.name, shift=float(shift))
            if limit is not None and abs(shift) > limit:
                raise unexpected(
                    axis,
                    f"the edge of its home switch has moved by {abs(float(shift)):.3g} {axis.plan.unit} since it was "
                    f"last homed; shift_limit is {_show(axis, limit)}",
                    "home-shift",
                    "The switch or its cam is loose, the drive train slips, or counts were lost.",
                )

    async def square(self, edges: Sequence[int]) -> None:
        """Phase 6, first half: bring the second side beside the first."""
        if self.pair is None:
            return
        skew = self._offset(0, edges) - self._offset(1, edges)
        if abs(skew) > self.action.square_limit:
            raise MachineFault(
                f"{self.pair.plan.name} is {float(abs(skew)):.3g} {self.axes[0].plan.unit} out of square; "
                f"square_limit is {_show(self.axes[0], self.action.square_limit)}",
                rule="square-limit",
                axis=self.pair.plan.name,
                help="Square the beam by hand with its power off, after the maker's instructions, and home it again.",
            )
        if abs(skew) > SQUARE_ENOUGH:
            await self._push_square(skew)

    async def declare(self, edges: Sequence[int]) -> None:
        """Phase 6, second half: every drive counts from the machine's zero from now on."""
        run = self.run
        pollers = [run.pollers[axis.plan.index] for axis in self.axes]
        for poller in pollers:
            poller.on = False
        if self.pair is not None:
            self.pair.known = False  # one side may count from its new zero before the other does
        await run.session.run(
            *(
                (axis.plan.index, axis.drive.home_at(axis.plan.counts(at)))
                for axis, at in zip(self.axes, self.action.home_at, strict=True)
            )
        )
        for axis in self.axes:
            axis.forget_readings()
            axis.coast()
            axis.anchor_counts = 0
            axis.home_valid = True
            run.session.guard.homed(axis.plan.node)
        if self.pair is not None:
            self.pair.known = True
        for poller in pollers:
            poller.on = True
        await run.standstill(self.axes, STOP_MARGIN_NS)
        skew = None if self.pair is None else self.axes[0].position() - self.axes[1].position()
        for axis, edge, at in zip(self.axes, edges, self.action.home_at, strict=True):
            run.session.record("homed", axis=axis.name, edge_counts=edge, edge=float(at), skew=skew)

    async def rest(self) -> None:
        """Phase 7."""
        targets = [axis.plan.counts(self.action.rest_at) for axis in self.axes]
        parts = self._parts_to(self.axes, targets, self.action.search_raw, self.action.search)
        await travel(self.run, parts, _windows(self.axes), PHASE_SETTLE_NS)

    # ---- what the phases are made of ---------------------------------------------------------------------------

    def _reach(self, axis: Axis) -> Fraction:
        """How far an axis without home may still go towards its switch from where it stands (P21)."""
        noise = 2 * axis.plan.noise_counts + 1
        gone = Fraction(axis.counts - axis.found_counts) / axis.plan.counts_per_unit * self.action.towards
        return axis.plan.limits.unhomed_distance - gone - noise / abs(axis.plan.counts_per_unit)

    def _offset(self, side: int, edges: Sequence[int]) -> Fraction:
        """Where a side stands, from the machine's zero, by its captured edge."""
        axis = self.axes[side]
        return Fraction(axis.counts - edges[side]) / axis.plan.counts_per_unit + self.action.home_at[side]

    async def _push_square(self, skew: Fraction) -> None:
        side = self.axes[1]
        raw, before = self.action.square_torque_raw, 0
        if raw is not None:
            (before,) = await self.run.each([side], lambda drive: drive.read_setting(Setting.TORQUE_LIMIT))
            self.run.restore[side.plan.index, Setting.TORQUE_LIMIT] = before
            await self.run.each([side], lambda drive: drive.write_setting(Setting.TORQUE_LIMIT, raw))
        target = side.counts + side.plan.counts(skew)
        parts = self._parts_to([side], [target], self._raws([side], self.action.crawl_raw), self.action.crawl)
        await travel(self.run, parts, _windows([side]), PHASE_SETTLE_NS)
        while (await self.run.states([side]))[0].moving:  # a drive may refuse a setting until it has come to rest
            await self.run.session.sleep(LOOK_NS)
        if raw is not None:
            await self.run.each([side], lambda drive: drive.write_setting(Setting.TORQUE_LIMIT, before))
            del self.run.restore[side.plan.index, Setting.TORQUE_LIMIT]

    def _raws(self, axes: Sequence[Axis], raws: Sequence[int]) -> list[int]:
        return [raws[self.axes.index(axis)] for axis in axes]

    async def _set_off(self, axes: Sequence[Axis], distance: Fraction, raws: Sequence[int], speed: Fraction) -> None:
        parts = self._parts(axes, distance, raws, speed)
        await load(self.run, parts)
        await start(self.run, parts)

    def _parts(self, axes: Sequence[Axis], distance: Fraction, raws: Sequence[int], speed: Fraction) -> list[Part]:
        """`distance` is positive towards the switch."""
        way = distance * self.action.towards
        return self._parts_to(axes, [axis.counts + axis.plan.counts(way) for axis in axes], raws, speed)

    def _parts_to(
        self, axes: Sequence[Axis], targets: Sequence[int], raws: Sequence[int], speed: Fraction
    ) -> list[Part]:
        return [self._part(axis, target, raw, speed) for axis, target, raw in zip(axes, targets, raws, strict=True)]

    def _part(self, axis: Axis, target: int, raw: int, speed: Fraction) -> Part:
        place = self.axes.index(axis)
        acceleration, jerk = self.action.acceleration[place], self.action.jerk[place]
        distance = (target - axis.standing_at) / axis.scale
        profile = move_profile(distance, speed, acceleration, jerk)
        onset = onset_limit_ns(
            profile,
            noticeable(axis.plan),
            self.run.plan.dialects[axis.plan.dialect].timing,
            lag_ns=axis.plan.lag_ns,
            poll_ns=self.run.plan.poll_ns,
            reply_ns=axis.plan.reply_timeout_ns,
        )
        return Part(axis, target, raw, profile, onset, figures(distance, speed, acceleration, jerk, profile))

    async def _active(self, axes: Sequence[Axis]) -> list[bool]:
        inputs = await self.run.each(axes, lambda drive: drive.read_inputs())
        return [bool(levels[SWITCH]) for levels in inputs]

    async def _until_switch(self, axes: Sequence[Axis], distance: Fraction) -> list[Axis]:
        """Look at all the switches until one is active; returns whose."""
        hit: list[Axis] = []
        await self.run.session.first(*((axis.plan.index, self._look(axis, distance, hit)) for axis in axes))
        return hit

    def _look(self, axis: Axis, distance: Fraction, hit: list[Axis]) -> Conversation[None]:
        while not (yield from axis.drive.read_inputs())[SWITCH]:
            self._still_travelling(axis, distance, "its home switch was not found")
            yield Pause(LOOK_NS)
        hit.append(axis)

    def _until_edge(self, axis: Axis, distance: Fraction) -> Conversation[int]:
        while True:
            edge = (yield from axis.drive.read_latch()).counts
            if edge is not None:
                return edge
            self._still_travelling(axis, distance, "no edge of its home switch was captured")
            yield Pause(LOOK_NS)

    def _still_travelling(self, axis: Axis, distance: Fraction, what: str) -> None:
        if axis.motion is not None and self.run.session.now() > axis.motion.end_ns + STOP_MARGIN_NS:
            raise unexpected(
                axis,
                f"{what} within {_show(axis, distance)}",
                "home-switch-missing",
                "Look at the switch and its cable, at `towards`, and at the distances of the `homing` block.",
            )

    async def _stop(self, axes: Sequence[Axis]) -> None:
        """A controlled ramp for these axes alone, then proof that they stand."""
        ramp = max(
            float(self.action.search) / float(acceleration) + (float(acceleration) / float(jerk) if jerk else 0)
            for acceleration, jerk in zip(self.action.acceleration, self.action.jerk, strict=True)
        )
        await self.run.stop(axes, round(ramp * 1e9) + STOP_MARGIN_NS)


def _windows(axes: Sequence[Axis]) -> list[float]:
    return [max(axis.tolerance_counts(PHASE_WINDOW), float(axis.plan.noise_counts)) for axis in axes]


def _show(axis: Axis, distance: Fraction) -> str:
    return f"{float(distance):g} {axis.plan.unit}"
