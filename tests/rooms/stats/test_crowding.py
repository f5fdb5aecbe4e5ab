"""Crowding and mean models: recovery of a known truth, limits of the family, order of rows, too little data."""

import numpy as np
import pytest

from domatia.stats.crowding import Broods, best_density, crowding, profile, rising, survival_at
from domatia.stats.mean_models import mean_model


def made(rng: np.random.Generator, rows: int, exponent: float, capacity: float = 8.0) -> Broods:
    """Draw broods on leaves of uneven area; survival 0.7 without crowding, precision 12."""
    area = np.exp(rng.normal(5, 0.5, rows))
    larvae = rng.poisson(area / 100 * 8 * np.exp(rng.normal(0, 0.6, rows))) + 1
    density = larvae / area * 100
    p = 0.7 / (1 + (density / capacity) ** exponent)
    survivors = rng.binomial(larvae, rng.beta(p * 12, (1 - p) * 12))
    return Broods(larvae, survivors, density, rng.integers(0, 20, rows))


@pytest.mark.parametrize("exponent", [1.0, 2.0, 5.0])
def test_the_exponent_of_simulated_broods_is_recovered(exponent: float) -> None:
    """Simulated truth: exponent and capacity lie within three standard errors."""
    fit = crowding(made(np.random.default_rng(3), 600, exponent))
    se = dict(zip(fit.free, np.sqrt(np.diag(fit.uncertainty.covariance)), strict=True))
    assert abs(fit.theta[2] - np.log(exponent)) < 3 * se[2]
    assert abs(fit.theta[1] - np.log(8.0)) < 3 * se[1]


def test_total_failure_past_capacity_is_a_limit_that_can_fit_best() -> None:
    """With no survivor past capacity the exponent runs to its largest value and has no upper end."""
    rng = np.random.default_rng(4)
    rows = made(rng, 300, 1.0)
    p = np.where(rows.density < 8.0, 0.7, 0.0)
    rows = Broods(rows.larvae, rng.binomial(rows.larvae, p), rows.density)
    fit = crowding(rows)
    low, high = profile(rows, fit)
    assert high == np.inf
    assert low > 10
    assert crowding(rows, "total failure").log_likelihood > crowding(rows, "contest").log_likelihood + 50


def test_contest_is_not_rejected_where_it_is_true() -> None:
    """With b = 1 the interval holds 1, and the contest form is no worse by more than chance."""
    rows = made(np.random.default_rng(6), 400, 1.0)
    fit = crowding(rows)
    low, high = profile(rows, fit)
    assert low < 1 < high
    assert fit.log_likelihood - crowding(rows, "contest").log_likelihood < 3


def test_the_best_density_is_the_top_of_the_curve() -> None:
    """Survivors per area are most there; for contest there is no top; its slopes are those of differences."""
    theta = np.array([1.0, np.log(5.0), np.log(2.5), 2.0])
    at, slope = best_density(theta)
    x = np.exp(at)
    near = np.array([0.99 * x, x, 1.01 * x])
    gain = near * survival_at(theta, near)
    assert gain[1] == gain.max()
    for j in (1, 2):
        step = np.eye(4)[j] * 1e-6
        change = (best_density(theta + step)[0] - best_density(theta - step)[0]) / 2e-6
        assert slope[j] == pytest.approx(change, rel=1e-6)
    assert best_density(np.array([1.0, 1.0, 0.0, 1.0]))[0] == np.inf


def test_rows_in_another_order_give_the_same_numbers() -> None:
    """To the last bit."""
    rows = made(np.random.default_rng(7), 80, 2.0)
    order = np.random.default_rng(1).permutation(80)
    assert rows.cluster is not None
    again = Broods(rows.larvae[order], rows.survivors[order], rows.density[order], rows.cluster[order])
    one, other = crowding(rows), crowding(again)
    assert one.theta.tolist() == other.theta.tolist()
    assert one.uncertainty.covariance.tolist() == other.uncertainty.covariance.tolist()


def test_survival_that_rises_with_density_is_told() -> None:
    """Larvae that help each other: the family cannot rise, but the score does."""
    rng = np.random.default_rng(2)
    n = rng.integers(1, 30, 200)
    y = rng.binomial(n, 0.2 + 0.02 * n)
    assert rising(Broods(n, y, n / 100.0)) > 3
    assert rising(Broods(n, n, n / 100.0)) == 0.0
    assert rising(made(rng, 200, 2.0)) < -3


def test_all_dead_and_all_alive_are_no_crash() -> None:
    """Survival of nought or one everywhere has a likelihood near one and finite parameters."""
    rows = made(np.random.default_rng(5), 60, 2.0)
    for survivors in (rows.larvae * 0, rows.larvae):
        fit = crowding(Broods(rows.larvae, survivors, rows.density, rows.cluster))
        assert fit.log_likelihood > -0.5
        assert np.isfinite(fit.theta).all()


def test_wrong_rows_are_refused() -> None:
    """Survivors above larvae, no larvae, no area, values out of range."""
    one = np.array([3])
    with pytest.raises(ValueError, match="no more survivors"):
        crowding(Broods(one, one + 1, np.array([0.1])))
    with pytest.raises(ValueError, match="positive numbers"):
        crowding(Broods(one, one, np.array([0.0])))
    with pytest.raises(ValueError, match="one of each a row"):
        crowding(Broods(one, one, np.array([0.1, 0.2])))
    with pytest.raises(ValueError, match="nought or more"):
        mean_model(np.array([-1.0]), np.ones((1, 1)), "log")
    with pytest.raises(ValueError, match="combination of others"):
        mean_model(np.array([1.0, 2.0]), np.ones((2, 2)), "log")
    with pytest.raises(ValueError, match="no blanks"):
        mean_model(np.array([np.nan]), np.ones((1, 1)), "log")


def test_a_mean_of_nought_in_one_group_is_held_by_a_prior() -> None:
    """No eggs at all with ants: the ratio has no lower bound, and says so."""
    x = np.column_stack([np.ones(40), np.repeat([0.0, 1.0], 20)])
    y = np.where(x[:, 1] > 0, 0.0, np.arange(40) % 5)
    fit = mean_model(y, x, "log", np.tile(np.arange(10), 4))
    assert fit.held == (1,)
    assert np.isfinite(fit.contrast(np.array([0.0, 1.0])).high[0])
