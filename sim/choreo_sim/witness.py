"""The largest skew of a beam, watched while its sides move, without a step of the simulation for it."""

from choreo_sim.beam import Beam
from choreo_sim.kernel import Kernel

#: How far apart it looks while a side moves, unless the skew could not grow beyond the largest any sooner.
LOOK_NS = 4_000_000


class SkewWitness:
    """
    Looks back whenever a side begins to move in another way, and when it is asked. It changes nothing: a simulation
    with a witness and one without are the same.
    """

    def __init__(self, kernel: Kernel, beam: Beam) -> None:
        self._kernel = kernel
        self._beam = beam
        self._most = 0.0
        self._since_ns = kernel.now_ns
        for side in beam.sides:
            side.observers.append(self._changed)
        self._note()

    def most(self) -> float:
        """The largest so far, without a sign, in the axes' unit."""
        self._changed()
        return self._most

    def _changed(self) -> None:
        self._look_back(self._kernel.now_ns)
        self._note()

    def _note(self) -> None:
        """How both sides move from now on."""
        sides = self._beam.sides
        self._paths = [(side.path, side.since_ns, side.units) for side in sides]
        self._since_ns = self._kernel.now_ns
        self._fastest = sum(side.path.fastest() / float(side.truth.counts_per_unit) for side in sides)

    def _skew(self, t_ns: int) -> float:
        left, right = (units(path.at((t_ns - since) * 1e-9)) for path, since, units in self._paths)
        return abs(left - right)

    def _look_back(self, until_ns: int) -> None:
        """From the last change up to now, by the paths of then."""
        calm = max(since + path.calm * 1e9 for path, since, _ in self._paths)
        end_ns = until_ns if calm >= until_ns else max(int(calm), self._since_ns)
        t_ns = self._since_ns
        while t_ns < end_ns:
            skew = self._skew(t_ns)
            self._most = max(self._most, skew)
            t_ns += max(LOOK_NS, int((self._most - skew) / self._fastest * 1e9) if self._fastest else LOOK_NS)
        self._most = max(self._most, self._skew(end_ns))
