"""Weibull regression for interval-censored times."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize

from domatia.stats.arrays import Floats
from domatia.stats.weibull import weibull


def simulated(seed: int) -> tuple[Floats, Floats, Floats]:
    """Make exact, interval, left- and right-censored times."""
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(120, 2))
    time = np.exp(1.0 + 0.4 * X[:, 0] + 0.7 * np.log(rng.exponential(1.0, 120)))
    left = np.floor(time)
    right = np.where(rng.random(120) < 0.7, left + 1, np.inf)
    exact = rng.random(120) < 0.2
    return np.where(exact, time, left), np.where(exact, time, right), X


def test_maximum_of_the_likelihood_written_out() -> None:
    """Estimates equal a general optimiser's on survival functions and densities written out."""
    left, right, X = simulated(1)
    used = (left > 0) | np.isfinite(right)

    def minus(theta: Floats) -> float:
        shape, scale = np.exp(-theta[3]), np.exp(theta[0] + X @ theta[1:3])
        alive_left = np.exp(-((left / scale) ** shape))
        alive_right = np.where(np.isfinite(right), np.exp(-((right / scale) ** shape)), 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            density = np.log(shape) + shape * np.log(left / scale) - np.log(left) - (left / scale) ** shape
            inside = np.log(np.maximum(alive_left - alive_right, 1e-200))
        return -float(np.where(left == right, density, inside)[used].sum())

    best = optimize.minimize(
        minus, np.array([1.0, 0, 0, 0]), method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-11}
    )
    found = weibull(left, right, X)
    assert_allclose(found.log_likelihood, -best.fun, atol=1e-8)
    assert_allclose(found.coefficients.estimate, best.x[:3], atol=1e-4)
    assert_allclose(found.scale.estimate, np.exp(best.x[3:]), atol=1e-4)


def test_hazard_ratio_is_minus_the_coefficient_over_the_scale() -> None:
    """The hazard ratio and its interval follow from coefficient and scale; a doubled effect on time turns it round."""
    left, right, X = simulated(2)
    found = weibull(left, right, X, np.arange(120) % 12)
    expected = np.exp(-found.coefficients.estimate[1:] / found.scale.estimate)
    assert_allclose(found.hazard_ratios.estimate, expected)
    assert ((found.hazard_ratios.low < expected) & (expected < found.hazard_ratios.high)).all()
    assert found.uncertainty.df == 11
    assert_allclose(weibull(left, right, -X).hazard_ratios.estimate, 1 / expected, rtol=1e-8)


def test_group_shares_add_up_to_the_information() -> None:
    """With leverage corrections the covariance stays near the plain sandwich, and is larger."""
    left, right, X = simulated(3)
    group = np.arange(120) % 15
    plain = weibull(left, right, X, group, kind="CR0").coefficients.se
    corrected = weibull(left, right, X, group, kind="CR2").coefficients.se
    jackknife = weibull(left, right, X, group, kind="jackknife").coefficients.se
    assert ((plain < corrected) & (corrected < 1.3 * plain)).all()
    assert ((corrected < jackknife) & (jackknife < 1.5 * plain)).all()


def test_malformed_input_is_refused() -> None:
    """Reversed intervals, no event at all and redundant covariates are named."""
    left, right, X = simulated(4)
    with pytest.raises(ValueError, match="reversed"):
        weibull(right + 1, left, X)
    with pytest.raises(ValueError, match="nobody had the event"):
        weibull(left, np.full(120, np.inf), X)
    with pytest.raises(ValueError, match=r"columns \[2\]"):
        weibull(left, right, np.column_stack([X, np.ones(120)]))
    with pytest.raises(ValueError, match="is missing"):
        weibull(left, right, X * np.nan)
