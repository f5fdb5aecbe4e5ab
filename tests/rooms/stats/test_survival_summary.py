"""Curves, differences and restricted means of a fitted hazard model."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate

from domatia.stats.arrays import Floats
from domatia.stats.clustering import Estimate
from domatia.stats.interval_hazard import IntervalHazard, IntervalRows, interval_hazard
from domatia.stats.survival_summary import (
    restricted_mean,
    restricted_mean_difference,
    survival_curve,
    survival_difference,
)

PEOPLE = np.array([[0.0, 0.2], [1.0, 0.9], [1.0, 0.1]])
TIMES = np.array([0.5, 1.7, 3.0])


@pytest.fixture(scope="module")
def fit() -> IntervalHazard:
    """Fit a model with two covariates and three pieces."""
    rng = np.random.default_rng(8)
    start = rng.choice([0.0, 1.0, 2.0], 500)
    X = np.column_stack([rng.integers(0, 2, 500), rng.random(500)]).astype(np.float64)
    died = rng.random(500) < 1 - np.exp(-0.3 * np.exp(0.7 * X[:, 0]) * (1 + start))
    rows = IntervalRows(start, start + 1.0, died.astype(np.int64), X, np.arange(500) % 15)
    return interval_hazard(rows, np.array([1.0, 2.0]))


def by_hand(fit: IntervalHazard, x: Floats, time: float) -> float:
    """Give survival from the cumulative hazard added up piece by piece."""
    spans = np.clip(time - fit.edges[:-1], 0.0, [1.0, 1.0, np.inf])
    return float(np.exp(-np.exp(x @ fit.coefficients.estimate) * (spans @ fit.baseline.estimate)))


def test_survival_is_the_average_of_single_curves(fit: IntervalHazard) -> None:
    """The population curve is the weighted mean of the individuals' curves."""
    weights = np.array([1.0, 2.0, 5.0])
    wanted = [np.average([by_hand(fit, x, t) for x in PEOPLE], weights=weights) for t in TIMES]
    assert_allclose(survival_curve(fit, PEOPLE, TIMES, weights).survival.estimate, wanted, rtol=1e-12)


def test_restricted_mean_is_the_area_under_the_curve(fit: IntervalHazard) -> None:
    """The closed form equals numerical integration of the curve."""
    area = restricted_mean(fit, PEOPLE, TIMES).estimate
    for end, found in zip(TIMES, area, strict=True):
        wanted, _ = integrate.quad(
            lambda t: float(np.mean([by_hand(fit, x, t) for x in PEOPLE])), 0.0, end, points=[1.0, 2.0]
        )
        assert_allclose(found, wanted, rtol=1e-8)


def shifted(fit: IntervalHazard, step: Floats) -> IntervalHazard:
    """Move the parameters by a step."""
    return replace(fit, parameters=fit.parameters + step)


@pytest.mark.parametrize("what", ["survival", "area", "difference", "area difference"])
def test_standard_errors_are_those_of_numerical_derivatives(fit: IntervalHazard, what: str) -> None:
    """The delta method's standard errors equal those from differenced values."""
    other = np.column_stack([1.0 - PEOPLE[:, 0], PEOPLE[:, 1]])

    def value(model: IntervalHazard) -> Estimate:
        match what:
            case "survival":
                return survival_curve(model, PEOPLE, TIMES).survival
            case "area":
                return restricted_mean(model, PEOPLE, TIMES)
            case "difference":
                return survival_difference(model, PEOPLE, other, TIMES)
            case _:
                return restricted_mean_difference(model, PEOPLE, other, TIMES)

    size = len(fit.parameters)
    slopes = np.stack(
        [
            (value(shifted(fit, 1e-5 * e)).estimate - value(shifted(fit, -1e-5 * e)).estimate) / 2e-5
            for e in np.eye(size)
        ],
        axis=1,
    )
    wanted = np.sqrt(np.diag(slopes @ fit.uncertainty.covariance @ slopes.T))
    found = value(fit)
    assert_allclose(found.se, wanted, rtol=1e-6)
    assert ((found.low < found.estimate) & (found.estimate < found.high)).all()


def test_nothing_is_said_beyond_the_follow_up(fit: IntervalHazard) -> None:
    """Times after the last look, and rows of the wrong width, are refused."""
    with pytest.raises(ValueError, match="ask for times from 0 to 3"):
        survival_curve(fit, PEOPLE, np.array([4.0]))
    with pytest.raises(ValueError, match="outside the follow-up"):
        restricted_mean(fit, PEOPLE, np.array([-1.0]))
    with pytest.raises(ValueError, match="1 columns, the model has 2"):
        survival_curve(fit, PEOPLE[:, :1], TIMES)
    with pytest.raises(ValueError, match="not all zero"):
        survival_curve(fit, PEOPLE, TIMES, np.zeros(3))


def test_without_covariates_the_curve_is_the_baselines() -> None:
    """A model of no covariates takes empty rows and gives the baseline's curve."""
    start = np.repeat([0.0, 1.0], 30)
    rows = IntervalRows(start, start + 1.0, (np.arange(60) % 3 == 0).astype(np.int64), np.zeros((60, 0)))
    found = interval_hazard(rows, np.array([1.0]))
    curve = survival_curve(found, np.zeros((1, 0)), np.array([1.0, 2.0]))
    assert_allclose(curve.survival.estimate, [2 / 3, 4 / 9], rtol=1e-9)
    assert_allclose(found.baseline.estimate, -np.log(2 / 3), rtol=1e-9)


def test_intervals_of_population_effects_hold_the_truth() -> None:
    """Over 80 simulated studies with group effects, the restricted-mean difference lies in its interval in 70."""
    held = 0
    spread, effect, rate = 0.3, 0.7, 0.4
    draws = np.exp(np.random.default_rng(1).normal(0.0, spread, 100_000)) * rate
    # area under exp(-h t) until 3, averaged over groups
    areas = [np.mean(-np.expm1(-3.0 * h) / h) for h in (draws * np.exp(effect), draws)]
    truth = areas[0] - areas[1]
    for seed in range(80):
        rng = np.random.default_rng([7, seed])
        group = np.repeat(np.arange(14), 30)
        x = np.arange(420) % 2 * 1.0
        hazard = rate * np.exp(effect * x + rng.normal(0.0, spread, 14)[group])
        death = rng.exponential(1.0, 420) / hazard
        start = np.repeat([0.0, 1.0, 2.0], 420)
        who = np.tile(np.arange(420), 3)
        kept = start < death[who]
        start, who = start[kept].astype(np.float64), who[kept]
        died = (death[who] <= start + 1.0).astype(np.int64)
        fit = interval_hazard(IntervalRows(start, start + 1.0, died, x[who][:, None].astype(np.float64), group[who]))
        gap = restricted_mean_difference(fit, np.array([[1.0]]), np.array([[0.0]]), np.array([3.0]))
        held += int(gap.low[0] <= truth <= gap.high[0])
    assert held >= 70
