"""Exact odds ratios: what they must do whatever the table."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domatia.stats.exact import fisher_exact, stratified_exact

cells = st.lists(st.integers(0, 30), min_size=4, max_size=4).filter(
    lambda v: v[0] + v[1] > 0 and v[2] + v[3] > 0 and v[0] + v[2] > 0 and v[1] + v[3] > 0
)


@given(cells)
@settings(max_examples=60, deadline=None)
def test_turned_table_turns_the_ratio(v: list[int]) -> None:
    """Swapping the two groups gives the reciprocal ratio and ends, and the same p."""
    one = fisher_exact(np.array(v).reshape(2, 2))
    two = fisher_exact(np.array(v).reshape(2, 2)[::-1])
    with np.errstate(divide="ignore"):
        turned = 1.0 / np.array([two.odds_ratio, two.high, two.low])
    np.testing.assert_allclose([one.odds_ratio, one.low, one.high], turned, rtol=1e-8)
    assert one.p == pytest.approx(two.p, rel=1e-9)
    assert one.low <= one.odds_ratio <= one.high


@given(st.lists(cells, min_size=1, max_size=6), st.randoms(use_true_random=False))
@settings(max_examples=40, deadline=None)
def test_order_of_strata_does_not_matter(tables: list[list[int]], random: object) -> None:
    """Strata in another order, or with one that tells nothing, give the same answer."""
    t = np.array(tables).reshape(-1, 2, 2)
    one = stratified_exact(t)
    two = stratified_exact(np.concatenate([np.array([[[3, 4], [0, 0]]]), t[::-1]]))
    for name in ("odds_ratio", "low", "high", "p"):
        assert getattr(one, name) == pytest.approx(getattr(two, name), rel=1e-9)


def test_interval_holds_its_level_when_counted() -> None:
    """Over all outcomes of a table with odds ratio 2.5 the interval misses it in less than 5 % of the chance."""
    from scipy.stats import nchypergeom_fisher

    first, second, outcome, odds = 12, 18, 11, 2.5
    missed = 0.0
    for a in range(max(0, outcome - second), min(first, outcome) + 1):
        found = fisher_exact(np.array([[a, first - a], [outcome - a, second - outcome + a]]))
        chance = nchypergeom_fisher.pmf(a, first + second, first, outcome, odds)
        missed += 0.0 if found.low <= odds <= found.high else float(chance)
    assert 0.0 < missed <= 0.05


def test_nothing_to_compare() -> None:
    """A table with an empty column, or half a plant in it, is refused."""
    with pytest.raises(ValueError, match="nothing to compare"):
        fisher_exact(np.array([[0, 5], [0, 7]]))
    with pytest.raises(ValueError, match="whole numbers"):
        fisher_exact(np.array([[1.5, 5], [1, 7]]))
    with pytest.raises(ValueError, match="shape"):
        stratified_exact(np.array([[1, 5], [1, 7]]))
    with pytest.raises(ValueError, match="level"):
        fisher_exact(np.array([[1, 5], [1, 7]]), level=95)
