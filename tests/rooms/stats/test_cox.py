"""Cox's model for dated deaths."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize

from domatia.stats.arrays import Bools, Floats
from domatia.stats.cox import cox


def simulated(seed: int) -> tuple[Floats, Floats, Bools, Floats]:
    """Make 60 rows with late entry and ties."""
    rng = np.random.default_rng(seed)
    start = rng.integers(0, 3, 60).astype(np.float64)
    stop = start + rng.integers(1, 5, 60)
    return start, stop, rng.random(60) < 0.5, rng.normal(size=(60, 2))


def test_likelihood_is_efrons_written_out() -> None:
    """The maximum equals a plain double loop over deaths, maximised by another optimiser."""
    start, stop, died, X = simulated(4)

    def minus(beta: Floats) -> float:
        total = 0.0
        for t in np.unique(stop[died]):
            risk = np.exp(X @ beta)[(start < t) & (t <= stop)].sum()
            tied = np.flatnonzero(died & (stop == t))
            for nth in range(len(tied)):
                total += X[tied[nth]] @ beta - np.log(risk - nth / len(tied) * np.exp(X[tied] @ beta).sum())
        return -float(total)

    best = optimize.minimize(minus, np.zeros(2), method="BFGS", options={"gtol": 1e-8})
    found = cox(start, stop, died, X)
    assert_allclose(found.coefficients.estimate, best.x, atol=1e-6)
    assert_allclose(found.log_likelihood, -best.fun, atol=1e-9)


def test_row_order_and_shift_of_covariates_do_not_matter() -> None:
    """Reversed rows and a constant added to a covariate give the same answer."""
    start, stop, died, X = simulated(5)
    group = np.arange(60) % 8
    one = cox(start, stop, died, X, group)
    two = cox(start[::-1], stop[::-1], died[::-1], X[::-1] + 3.0, group[::-1])
    assert_allclose(one.coefficients.estimate, two.coefficients.estimate, rtol=1e-9)
    assert_allclose(one.coefficients.se, two.coefficients.se, rtol=1e-8)


def test_a_group_without_deaths_is_named() -> None:
    """The coefficient that runs off to infinity is listed; the others stay."""
    start, stop, died, X = simulated(6)
    group = (np.arange(60) < 15).astype(np.float64)
    found = cox(start, stop, died & (group == 0), np.column_stack([X[:, 0], group]))
    assert found.separated == (1,)
    assert abs(found.coefficients.estimate[0]) < 3
    assert np.isfinite(found.hazard_ratios.estimate).all()


def test_malformed_rows_are_refused() -> None:
    """Rows without length, without deaths and with redundant covariates are named."""
    start, stop, died, X = simulated(7)
    with pytest.raises(ValueError, match="do not end after they start"):
        cox(stop, stop, died, X)
    with pytest.raises(ValueError, match="nobody died"):
        cox(start, stop, np.zeros(60, dtype=bool), X)
    with pytest.raises(ValueError, match="combination of others"):
        cox(start, stop, died, np.column_stack([X, X.sum(axis=1)]))
    with pytest.raises(ValueError, match="covariate is missing"):
        cox(start, stop, died, np.full((60, 1), np.nan))
