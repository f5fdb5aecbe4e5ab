"""Hazard models on small, odd data: finite numbers or a plain refusal, never a crash."""

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import KINDS
from domatia.stats.competing import CompetingRows, competing_hazards, cumulative_incidence
from domatia.stats.interval_hazard import IntervalRows, interval_hazard
from domatia.stats.survival_summary import restricted_mean, survival_curve

REFUSALS = ("nobody died", "of X are constant", "never happened")


def table(seed: int) -> tuple[IntervalRows, Ints]:
    """Make 4 to 60 rows with up to three covariates on wild scales, and causes 0, 1, 2."""
    rng = np.random.default_rng(seed)
    n, p = int(rng.integers(4, 60)), int(rng.integers(0, 4))
    start = rng.integers(0, 4, n).astype(np.float64)
    X = np.zeros((n, p))
    for j in range(p):
        scale = rng.choice([1.0, 1000.0, 0.001])
        X[:, j] = rng.integers(0, 2, n) if rng.random() < 0.7 else rng.normal(0.0, scale, n)
    died = (rng.random(n) < rng.choice([0.05, 0.3, 0.9])).astype(np.int64)
    group = rng.integers(0, rng.integers(1, 8), n)
    rows = IntervalRows(start, start + rng.choice([0.5, 1.0, 2.0, 3.3], n), died, X, group)
    return rows, np.where(died == 1, rng.integers(1, 3, n), 0)


def all_finite(*values: Floats) -> bool:
    """Tell whether nothing is infinite or missing."""
    return all(bool(np.isfinite(v).all()) for v in values)


def refused(error: ValueError) -> bool:
    """Tell whether the message is one of the plain refusals."""
    return any(words in str(error) for words in REFUSALS)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 100_000), st.sampled_from(KINDS))
@example(0, "CR1")
def test_interval_hazard_is_finite_or_refuses(seed: int, kind: str) -> None:
    """Estimates, intervals, curves and restricted means are finite, and curves lie inside their intervals."""
    rows, _ = table(seed)
    chosen = next(k for k in KINDS if k == kind)
    try:
        found = interval_hazard(rows, kind=chosen)
    except ValueError as error:
        if not refused(error):
            raise
        return
    c, times = found.coefficients, np.linspace(found.edges[0], found.edges[-1], 4)
    assert all_finite(c.estimate, c.se, c.low, c.high, found.baseline.estimate)
    curve = survival_curve(found, rows.X, times).survival
    assert ((curve.low <= curve.estimate + 1e-12) & (curve.estimate <= curve.high + 1e-12)).all()
    mean = restricted_mean(found, rows.X, times)
    assert all_finite(mean.low, mean.high)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 100_000))
def test_competing_hazards_are_finite_or_refuse(seed: int) -> None:
    """Estimates and cumulative incidences are finite."""
    rows, cause = table(seed)
    try:
        found = competing_hazards(CompetingRows(rows.start, rows.stop, cause, rows.X, rows.cluster))
    except ValueError as error:
        if not refused(error):
            raise
        return
    c = found.coefficients
    assert all_finite(c.estimate, c.low, c.high, found.baseline.estimate)
    by_cause = cumulative_incidence(found, rows.X, np.array([found.edges[-1]])).by_cause
    assert all_finite(by_cause.low, by_cause.high)
