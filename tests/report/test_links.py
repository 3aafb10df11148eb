"""What a count of exchanges proves. Source: facts.md H9; practice.md P28 (common practice, no source)."""

from fractions import Fraction
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.report.links import link_figures, loss_bound


@pytest.mark.parametrize(
    ("exchanges", "percent"),
    [(10, 25.887), (30, 9.503), (59, 4.951), (100, 2.951), (299, 0.997)],  # facts.md H9
)
def test_without_loss_the_bound_is_the_table_of_facts_h9(exchanges, percent):
    assert round(100 * loss_bound(exchanges, 0), 3) == percent


@pytest.mark.parametrize(("exchanges", "percent"), [(50, 5.8), (300, 1.0)])  # practice.md P28
def test_the_two_figures_of_practice_p28(exchanges, percent):
    assert round(100 * loss_bound(exchanges, 0), 1) == percent


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, n - 1))))
def test_at_the_bound_so_few_losses_are_seen_in_five_per_cent_of_the_cases(case):
    exchanges, lost = case
    p = Fraction(round(loss_bound(exchanges, lost) * 10**12), 10**12)  # exact sums, unlike the logarithms of the code
    seen = sum(comb(exchanges, k) * p**k * (1 - p) ** (exchanges - k) for k in range(lost + 1))
    assert abs(float(seen) - 0.05) < 1e-6


@given(st.integers(1, 3000).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, n))))
def test_the_bound_is_never_below_what_was_seen_and_never_above_all(case):
    exchanges, lost = case
    assert lost / exchanges <= loss_bound(exchanges, lost) <= 1.0


@pytest.mark.parametrize(("exchanges", "lost"), [(10, 11), (10, -1), (0, 1)])
def test_impossible_counts_are_refused(exchanges, lost):
    with pytest.raises(ValueError, match="cannot be lost"):
        loss_bound(exchanges, lost)


def test_no_exchange_proves_nothing():
    assert loss_bound(0, 0) == 1.0


def test_the_last_check_of_each_axis_counts_and_words_about_the_bus_do_not(recorded):
    def fill(journal):
        journal.write("link", 5, what="error frame", frame=None)
        for exchanges, lost in ((20, 1), (59, 0)):
            journal.write("link", 6, axis="lift", exchanges=exchanges, lost=lost, min_ns=4, median_ns=5, max_ns=9)
        journal.write("link", 7, axis="left", exchanges=10, lost=0, min_ns=1, median_ns=2, max_ns=3)

    left, lift = link_figures(recorded(fill))
    assert (left.axis, left.node, left.exchanges, left.max_ns) == ("left", 11, 10, 3)
    assert (lift.axis, lift.exchanges, lift.lost, round(lift.bound_percent, 3)) == ("lift", 59, 0, 4.951)
