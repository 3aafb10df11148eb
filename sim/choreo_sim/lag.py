"""
What a first-order lag makes of a motion, in closed form.

y' = (u - y) / tau with a cubic u has the solution

    y(s) = q(s) + C exp(-s / tau),   q = u - tau u' + tau² u'' - tau³ u''',   C = y(0) - q(0)

in every piece. Moments are found by root search on stretches that are known to be monotone, so none is missed.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterator
from math import exp, inf, log, sqrt
from typing import NamedTuple

#: How far ahead a motion without end is searched, seconds.
HORIZON = 1000.0


class Polynomial(NamedTuple):
    """From `start` seconds on: u0 + u1 s + u2 s² + u3 s³, with s counted from `start`."""

    start: float
    u0: float
    u1: float
    u2: float
    u3: float


class Response:
    """
    What a lag of `tau` seconds makes of a chain of polynomials, from `y0` on; with `tau` 0 it is the input itself.

    `rest` is where it ends, None for a motion without end; from `calm` seconds on it stands there, within a thousandth
    of a count.
    """

    __slots__ = ("_hull", "_inputs", "_pieces", "_starts", "calm", "rest", "tau")

    def __init__(self, inputs: list[Polynomial], tau: float, y0: float) -> None:
        self._inputs = inputs
        self.tau = tau
        self._pieces: list[tuple[float, float, float, float, float]] = []  # (q0, q1, q2, q3, C)
        self._starts = [piece.start for piece in inputs]
        self._hull: tuple[float, float] | None = None
        for place, (start, u0, u1, u2, u3) in enumerate(inputs):
            q1 = u1 - tau * (2 * u2 - tau * 6 * u3)
            q0 = u0 - tau * q1
            self._pieces.append((q0, q1, u2 - tau * 3 * u3, u3, y0 - q0 if tau else 0.0))
            if place + 1 < len(inputs):
                y0 = self._piece(place, inputs[place + 1].start - start)
        last = inputs[-1]
        self.rest = last.u0 if not any(last[2:]) else None
        tail = tau * max(log(abs(self._pieces[-1][4]) + 1e-300) - log(1e-3), 0.0) if tau else 0.0
        self.calm = last.start + tail if self.rest is not None else inf

    def at(self, s: float) -> float:
        """The value `s` seconds from the beginning."""
        if s >= self.calm and self.rest is not None:
            return self.rest
        place = bisect_right(self._starts, s) - 1
        if place < 0:
            place, s = 0, 0.0
        q0, q1, q2, q3, c = self._pieces[place]
        s -= self._starts[place]
        smooth = q0 + s * (q1 + s * (q2 + s * q3))
        return smooth + c * exp(-s / self.tau) if c else smooth

    def slope(self, s: float) -> float:
        """Its rate of change there, per second."""
        if s >= self.calm:
            return 0.0
        place = max(bisect_right(self._starts, s) - 1, 0)
        _, q1, q2, q3, c = self._pieces[place]
        s = max(s - self._starts[place], 0.0)
        return q1 + s * (2 * q2 + s * 3 * q3) - (c * exp(-s / self.tau) / self.tau if c else 0.0)

    def first_crossing(self, level: float, after: float = 0.0) -> float | None:
        """The first moment after `after` from which on the value is on the other side of `level`; None if never."""
        low, high = self.bounds()
        if not low <= level <= high:
            return None
        above = self.at(after) >= level
        for a, b in self._stretches(after):
            if (self.at(b) >= level) != above:
                return _bisect(lambda s: (self.at(s) >= level) != above, a, b)
        return None

    def bounds(self) -> tuple[float, float]:
        """Two values that it never leaves: a lag stays between its own beginning and the extremes of its input."""
        if self._hull is None:
            values = [self.at(0.0)]
            for place, piece in enumerate(self._inputs):
                values.append(piece.u0)
                for a, b in self._monotone(place, piece.start):
                    values += [self._input(place, a), self._input(place, b)]
            self._hull = (min(values), max(values))
        return self._hull

    def fastest(self) -> float:
        """A rate of change that it never exceeds, per second: the rate is itself the lag of the input's rate."""
        fastest = abs(self.slope(0.0))
        for place, (start, _, u1, u2, u3) in enumerate(self._inputs):
            ends = [0.0, (self._starts[place + 1] if place + 1 < len(self._starts) else start + HORIZON) - start]
            turns = [-u2 / (3 * u3)] if u3 else []
            fastest = max(fastest, *(abs(u1 + s * (2 * u2 + s * 3 * u3)) for s in ends + turns if s <= ends[1]))
        return fastest

    def _piece(self, place: int, s: float) -> float:
        q0, q1, q2, q3, c = self._pieces[place]
        return q0 + s * (q1 + s * (q2 + s * q3)) + (c * exp(-s / self.tau) if c else 0.0)

    def _input(self, place: int, s: float) -> float:
        start, u0, u1, u2, u3 = self._inputs[place]
        s -= start
        return u0 + s * (u1 + s * (u2 + s * u3))

    def _monotone(self, place: int, after: float) -> Iterator[tuple[float, float]]:
        """Stretches of one piece, from `after` on, in which the input rises or falls throughout."""
        start, _, u1, u2, u3 = self._inputs[place]
        if place + 1 < len(self._inputs):
            end = self._starts[place + 1]
        else:
            end = start + (HORIZON if self.rest is None else 60 * self.tau)
        a = max(start, after)
        for root in _roots(3 * u3, 2 * u2, u1):
            if a < start + root < end:
                yield a, start + root
                a = start + root
        if a < end:
            yield a, end

    def _stretches(self, after: float) -> Iterator[tuple[float, float]]:
        """
        Stretches in which the value itself is monotone. Where the input is monotone the value has at most one extremum,
        and that lies where it meets the input.
        """
        for place in range(max(bisect_right(self._starts, after) - 1, 0), len(self._inputs)):
            start = self._starts[place]
            for a, b in self._monotone(place, after):
                behind = self._input(place, a) >= self._piece(place, a - start)
                if self.tau and (self._input(place, b) >= self._piece(place, b - start)) != behind:
                    turn = self._turn(place, behind, a, b)
                    yield a, turn
                    a = turn
                yield a, b

    def _turn(self, place: int, behind: bool, a: float, b: float) -> float:
        start = self._starts[place]
        return _bisect(lambda s: (self._input(place, s) >= self._piece(place, s - start)) != behind, a, b)


def _bisect(changed: Callable[[float], bool], a: float, b: float) -> float:
    """The first moment in (a, b] at which `changed` holds, within a tenth of a nanosecond."""
    while b - a > 1e-10:
        middle = (a + b) / 2
        if middle in (a, b):
            break
        if changed(middle):
            b = middle
        else:
            a = middle
    return b


def _roots(a: float, b: float, c: float) -> list[float]:
    """Real roots of a s² + b s + c at which it changes its sign, ascending; none for a constant."""
    if not a:
        return [-c / b] if b else []
    inside = b * b - 4 * a * c
    if inside <= 0:
        return []
    far = -(b + (sqrt(inside) if b >= 0 else -sqrt(inside))) / 2
    return sorted((far / a, c / far))
