"""A beam on two axes: it racks by the difference of its sides, and that is watched without stepping through time."""

from choreo_sim.kernel import Handle, Kernel
from choreo_sim.mechanics import Mechanics
from choreo_sim.truth import BeamTruth, Damage


class Beam:
    """The two sides move independently; how hard the racked beam pulls is told and not fed back into their motion."""

    def __init__(
        self, kernel: Kernel, truth: BeamTruth, sides: tuple[Mechanics, Mechanics], damage: list[Damage]
    ) -> None:
        self.truth = truth
        self.sides = sides
        self.racked = False
        self._damage = damage
        self._kernel = kernel
        self._event: Handle | None = None
        for side in sides:
            side.observers.append(self._look_ahead)
        self._look_ahead()

    def skew(self, t_ns: int) -> float:
        """How far the first side is ahead of the second, in the axes' unit."""
        return self.sides[0].position(t_ns) - self.sides[1].position(t_ns)

    def force(self, t_ns: int) -> float:
        """What the racked beam pulls with, N."""
        return float(self.truth.stiffness) * abs(self.skew(t_ns))

    def _look_ahead(self) -> None:
        """
        Find when the skew becomes structural. The skew cannot change faster than both sides together, so each step may
        be as long as the distance that is left allows, and none can jump over the moment.
        """
        if self._event is not None:
            self._kernel.cancel(self._event)
            self._event = None
        if self.racked:
            return
        fastest = sum(side.path.fastest() / float(side.truth.counts_per_unit) for side in self.sides)
        calm = max(side.since_ns + side.path.calm * 1e9 for side in self.sides)
        t_ns = self._kernel.now_ns
        for _ in range(100_000):
            room = float(self.truth.structural) - abs(self.skew(t_ns))
            if room <= 0:
                self._event = self._kernel.at(t_ns, self._racked)
                return
            if t_ns > calm or not fastest:
                return
            t_ns += max(int(room / fastest * 1e9), 1000)

    def _racked(self, _: object) -> None:
        self.racked = True
        now = self._kernel.now_ns
        unit = self.sides[0].truth.unit
        skew, most = abs(self.skew(now)), float(self.truth.structural)
        self._damage.append(Damage(now, f"{self.truth.name} is racked by {skew:.2f} {unit}, at most {most:g} {unit}"))
