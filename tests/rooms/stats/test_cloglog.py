"""Binomial regression with the complementary log-log link."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from domatia.stats.cloglog import BinomialRows, cloglog


def simulated(seed: int) -> BinomialRows:
    """Make 300 rows with an intercept, two covariates, an offset and 20 groups."""
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(300), rng.normal(size=(300, 2))])
    offset = np.log(rng.uniform(0.5, 2.0, 300))
    h = np.exp(X @ np.array([-0.5, 0.6, 0.0]) + offset)
    events = (rng.random(300) < -np.expm1(-h)).astype(np.int64)
    return BinomialRows(events, X, offset, cluster=np.arange(300) % 20)


def test_score_is_zero_at_the_estimate() -> None:
    """At the maximum observed and fitted differ by nothing along every column."""
    rows = simulated(1)
    found = cloglog(rows)
    assert rows.offset is not None
    h = np.exp(rows.X @ found.coefficients.estimate + rows.offset)
    slope = np.where(np.asarray(rows.events) == 1, h / np.expm1(h), -h)
    assert found.converged
    assert_allclose(rows.X.T @ slope, 0.0, atol=1e-7)


def test_trials_are_repetitions() -> None:
    """Two events in three trials are the same as two rows with and one without."""
    rows = simulated(2)
    assert rows.offset is not None
    events = np.asarray(rows.events, dtype=np.int64) + 1
    grouped = cloglog(BinomialRows(events, rows.X, rows.offset, np.full(300, 3)), kind="model")
    repeated = np.concatenate([np.where(np.arange(3) < e, 1, 0) for e in events])
    single = cloglog(BinomialRows(repeated, np.repeat(rows.X, 3, axis=0), np.repeat(rows.offset, 3)))
    assert_allclose(grouped.coefficients.estimate, single.coefficients.estimate, rtol=1e-9, atol=1e-12)
    assert_allclose(grouped.coefficients.se, single.coefficients.se, rtol=1e-9)


def test_row_order_does_not_matter() -> None:
    """Reversed rows give the same answer."""
    rows = simulated(3)
    assert rows.offset is not None
    assert rows.cluster is not None
    turned = BinomialRows(rows.events[::-1], rows.X[::-1], rows.offset[::-1], cluster=rows.cluster[::-1])
    one, two = cloglog(rows), cloglog(turned)
    assert_allclose(one.coefficients.estimate, two.coefficients.estimate, rtol=1e-9)
    assert_allclose(one.coefficients.se, two.coefficients.se, rtol=1e-8)


def test_malformed_rows_are_refused() -> None:
    """All-or-none events, redundant columns and too many events are named."""
    rows = simulated(4)
    with pytest.raises(ValueError, match="all or none"):
        cloglog(BinomialRows(np.zeros(300), rows.X))
    with pytest.raises(ValueError, match="combination of others"):
        cloglog(BinomialRows(rows.events, np.column_stack([rows.X, rows.X[:, 1] + 2.0])))
    with pytest.raises(ValueError, match="between 0 and the number of trials"):
        cloglog(BinomialRows(np.full(300, 2.0), rows.X))
    with pytest.raises(ValueError, match="one entry a row"):
        cloglog(BinomialRows(rows.events, rows.X[:9]))
