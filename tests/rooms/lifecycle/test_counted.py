"""Roots and sums that turn counts into truths."""

import numpy as np
import pytest
from scipy.linalg import expm

from domatia.lifecycle.counted import exponential, generator, hazard_ratio, proportional_hazards, slope


def test_hazard_ratio_of_one_step_is_the_ratio_of_rates() -> None:
    """With one step of baseline the root is (d1 / p1) / (d0 / p0)."""
    found = hazard_ratio(np.array([[30.0], [20.0]]), np.array([[100.0], [200.0]]))
    assert found == pytest.approx((30 / 100) / (20 / 200), rel=1e-12)


def test_hazard_ratio_solves_its_score() -> None:
    """The sum over steps of d1 - d r p1 / (r p1 + p0) is zero at the root."""
    rng = np.random.default_rng(4)
    died, time = rng.poisson(40, (2, 36)).astype(float), rng.uniform(500, 900, (2, 36))
    r = hazard_ratio(died, time)
    share = r * time[0] / (r * time[0] + time[1])
    assert float((died[0] - died.sum(axis=0) * share).sum()) == pytest.approx(0.0, abs=1e-8)


def test_hazard_ratio_is_the_proportional_one_whatever_the_baseline() -> None:
    """Expected counts of exactly proportional hazards give their ratio back, also where person-time runs out."""
    baseline = np.array([0.02, 0.05, 0.01, 0.30])
    time = np.array([[900.0, 500.0, 300.0, 40.0], [950.0, 700.0, 600.0, 400.0]])
    died = time * baseline * np.array([[1.7], [1.0]])
    assert hazard_ratio(died, time) == pytest.approx(1.7, rel=1e-10)


def test_two_covariates_are_found_together() -> None:
    """Expected counts of a model with two covariates give both coefficients back."""
    columns = np.array([[0.0, 0.1], [0.0, 0.5], [1.0, 0.2], [1.0, 0.9]])
    time = np.random.default_rng(5).uniform(10, 50, (4, 6))
    beta = np.array([-0.4, 0.8])
    events = time * np.exp(columns @ beta)[:, None] * np.linspace(0.1, 0.6, 6)
    np.testing.assert_allclose(proportional_hazards(events, time, columns), beta, atol=1e-10)


def test_the_exponential_equals_scipy() -> None:
    """Our small matrix exponential against scipy.linalg.expm (another program's output)."""
    rng = np.random.default_rng(6)
    for scale in (0.01, 1.0, 40.0):
        rates = rng.uniform(0, scale, (6, 6))
        np.fill_diagonal(rates, 0.0)
        np.fill_diagonal(rates, -rates.sum(axis=1))
        np.testing.assert_allclose(exponential(rates), expm(rates), atol=1e-11)


def test_intensities_are_events_over_time() -> None:
    """Rows sum to zero; a state nobody was in has no intensities."""
    changes = np.array([[0.0, 4.0, 2.0], [0.0, 0.0, 0.0], [1.0, 0.0, 0.0]])
    rates = generator(changes, np.array([2.0, 0.0, 4.0]))
    np.testing.assert_allclose(rates, [[-3.0, 2.0, 1.0], [0.0, 0.0, 0.0], [0.25, 0.0, -0.25]])


def test_slope_of_a_line() -> None:
    """A straight line gives its slope back."""
    times = np.array([0.0, 1.0, 4.0])
    assert slope(times, 3.0 - 0.5 * times) == pytest.approx(-0.5)
