"""Counted exchanges: how fast each node answered, and what the count proves about loss."""

from dataclasses import dataclass
from math import exp, lgamma, log, log1p

from choreo.journal import Journal

#: The share of worse links that would have shown more loss than was seen: 5 %, for a 95 % bound.
DOUBT = 0.05


@dataclass(frozen=True, slots=True)
class LinkFigures:
    """One node's link check. Times from request to reply; `bound_percent` is the 95 % upper bound of the loss."""

    axis: str
    node: int
    exchanges: int
    lost: int
    min_ns: int | None
    median_ns: int | None
    max_ns: int | None
    bound_percent: float


def link_figures(journal: Journal) -> tuple[LinkFigures, ...]:
    """The last link check of each axis, in the order of the axes."""
    last = {record.fields["axis"]: record.fields for record in journal.of("link") if "exchanges" in record.fields}
    return tuple(
        LinkFigures(
            axis.name,
            axis.node,
            found["exchanges"],
            found["lost"],
            found["min_ns"],
            found["median_ns"],
            found["max_ns"],
            100 * loss_bound(found["exchanges"], found["lost"]),
        )
        for axis in journal.axes
        if (found := last.get(axis.name)) is not None
    )


def loss_bound(exchanges: int, lost: int) -> float:
    """
    The 95 % upper bound (0 to 1) of the probability that an exchange is lost, when `lost` of `exchanges` were.

    Without a loss 1 - 0.05^(1/n) (facts.md H9). With losses the p at which so few would be seen in 5 % of the cases
    only: the exact binomial bound of Clopper and Pearson (Biometrika 26 (1934) 404-413; from memory). ValueError unless
    0 <= lost <= exchanges.
    """
    if not 0 <= lost <= exchanges:
        raise ValueError(f"{lost} of {exchanges} exchanges cannot be lost")
    if lost == exchanges:
        return 1.0
    if lost == 0:
        return float(1.0 - DOUBT ** (1.0 / exchanges))
    low, high = lost / exchanges, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if _at_most(lost, exchanges, middle) > DOUBT else (low, middle)
    return high


def _at_most(lost: int, exchanges: int, p: float) -> float:
    """The binomial probability of at most `lost` losses."""
    hit, miss = log(p), log1p(-p)
    ways = lgamma(exchanges + 1)  # logarithms, because the binomial coefficients of long checks are beyond floats
    return sum(
        exp(ways - lgamma(k + 1) - lgamma(exchanges - k + 1) + k * hit + (exchanges - k) * miss)
        for k in range(lost + 1)
    )
