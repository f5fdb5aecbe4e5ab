"""Hazard models give the same numbers to the last bit whatever the order of rows, and scale with the unit of time."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from domatia.stats.arrays import Floats, Ints
from domatia.stats.cloglog import BinomialRows, cloglog
from domatia.stats.competing import CompetingRows, competing_hazards
from domatia.stats.cox import cox
from domatia.stats.frailty import frailty
from domatia.stats.interval_hazard import IntervalRows, interval_hazard
from domatia.stats.weibull import weibull

seeds = st.integers(0, 10_000)


def table(seed: int) -> tuple[Floats, Floats, Ints, Floats, Ints, Ints]:
    """Make start, stop, cause (0, 1, 2), covariates, group and a shuffle of 120 rows."""
    rng = np.random.default_rng(seed)
    start = rng.integers(0, 3, 120).astype(np.float64)
    X = np.column_stack([rng.integers(0, 2, 120), rng.random(120).round(1)]).astype(np.float64)
    return (
        start,
        start + rng.integers(1, 3, 120),
        rng.integers(0, 3, 120),
        X,
        rng.integers(0, 8, 120),
        rng.permutation(120),
    )


@settings(max_examples=15, deadline=None)
@given(seeds)
def test_shuffled_rows_give_equal_bits(seed: int) -> None:
    """Estimates and standard errors of every model are identical after a shuffle."""
    start, stop, cause, X, group, mixed = table(seed)
    cuts, died = np.array([1.0, 2.0]), (cause > 0).astype(np.int64)

    def everything(order: Ints) -> list[Floats]:
        s, e, x = start[order], stop[order], X[order]
        d, c, g = died[order], cause[order], group[order]
        hazard = interval_hazard(IntervalRows(s, e, d, x, g), cuts)
        causes = competing_hazards(CompetingRows(s, e, c, x, g), cuts)
        dated = cox(s, e, d, x, g)
        times = weibull(s, np.where(d == 1, e, np.inf), x, g)
        binary = cloglog(BinomialRows(d, np.column_stack([np.ones(120), x]), np.log(e - s), cluster=g))
        found = [hazard.coefficients, causes.coefficients, dated.coefficients, times.coefficients, binary.coefficients]
        return [v for c in found for v in (c.estimate, c.se)]

    for one, two in zip(everything(np.arange(120)), everything(mixed), strict=True):
        assert_array_equal(one, two)


@settings(max_examples=5, deadline=None)
@given(seeds)
def test_frailty_gives_equal_bits(seed: int) -> None:
    """The frailty model is identical after a shuffle."""
    start, stop, cause, X, group, mixed = table(seed)
    died = (cause > 0).astype(np.int64)
    one = frailty(IntervalRows(start, stop, died, X, group), np.array([1.0]))
    two = frailty(IntervalRows(start[mixed], stop[mixed], died[mixed], X[mixed], group[mixed]), np.array([1.0]))
    assert_array_equal(one.parameters, two.parameters)
    assert_array_equal(one.variance.high, two.variance.high)


@settings(max_examples=15, deadline=None)
@given(seeds, st.floats(0.01, 400.0))
def test_unit_of_time_changes_only_the_baseline(seed: int, unit: float) -> None:
    """Days instead of years divide the baseline hazards and leave hazard ratios alone."""
    start, stop, cause, X, group, _ = table(seed)
    died = (cause > 0).astype(np.int64)
    one = interval_hazard(IntervalRows(start, stop, died, X, group), np.array([1.0, 2.0]))
    two = interval_hazard(IntervalRows(start * unit, stop * unit, died, X, group), np.array([1.0, 2.0]) * unit)
    assert_allclose(two.coefficients.estimate, one.coefficients.estimate, rtol=1e-5, atol=1e-7)
    assert_allclose(two.coefficients.se, one.coefficients.se, rtol=1e-5)
    assert_allclose(two.baseline.estimate * unit, one.baseline.estimate, rtol=1e-5)
