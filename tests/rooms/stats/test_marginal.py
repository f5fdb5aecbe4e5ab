"""Population-averaged means: gradients, integrals and contrasts."""

import numpy as np
import pytest
from scipy.integrate import quad

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import model_uncertainty
from domatia.stats.count_families import Poisson
from domatia.stats.families import BetaBinomial
from domatia.stats.marginal import (
    MarginalModel,
    average_means,
    expected,
    marginal_from_laplace,
    marginal_from_mixed,
    mean_chances,
)
from domatia.stats.mixed_count import fit_counts
from domatia.stats.mixed_fit import RandomTerm
from domatia.stats.mixed_laplace import LaplaceFit, fit_laplace
from domatia.stats.mixed_linear import fit_linear
from domatia.stats.ordered import Ordered, threshold_slopes

N = 160
UNIT: Ints = np.repeat(np.arange(40), 4)
RANDOM = (RandomTerm("unit", UNIT), RandomTerm("block", UNIT // 5))
TREATED = (UNIT % 2).astype(np.float64)
LIGHT = np.random.default_rng(0).uniform(0, 1, 40)[UNIT]
X: Floats = np.column_stack([np.ones(N), TREATED, LIGHT])
NAMES = ("mean", "treated", "light")
SCENARIOS = {
    "removed": np.column_stack([np.ones(N), np.ones(N), LIGHT]),
    "kept": np.column_stack([np.ones(N), np.zeros(N), LIGHT]),
}


def predictor() -> Floats:
    """Simulate a linear predictor with random effects."""
    rng = np.random.default_rng(6)
    return -0.5 + TREATED + LIGHT + rng.normal(0, 0.8, 40)[UNIT] + rng.normal(0, 0.6, 8)[UNIT // 5]


def proportions() -> LaplaceFit:
    """Fit simulated proportions."""
    rng = np.random.default_rng(7)
    mean = 1 / (1 + np.exp(-predictor()))
    y = rng.binomial(10, rng.beta(7 * mean, 7 * (1 - mean))).astype(np.float64)
    return fit_laplace(BetaBinomial(y, np.full(N, 10.0)), X, NAMES, RANDOM)


def classes() -> LaplaceFit:
    """Fit simulated ordered classes."""
    latent = predictor() + np.random.default_rng(8).logistic(size=N)
    return fit_laplace(Ordered(np.digitize(latent, [-1.0, 0.5, 1.5])), X[:, 1:], NAMES[1:], RANDOM)


def moved(fit: LaplaceFit, model: MarginalModel, step: Floats) -> MarginalModel:
    """Return the model at other parameters."""
    parameters = fit.parameters + step
    p = len(model.coefficients)
    k = len(model.variances)
    thresholds, slopes = model.thresholds, model.threshold_slopes
    if model.link == "ordered":
        shape = parameters[p + k :]
        thresholds = np.cumsum(np.concatenate([shape[:1], np.exp(shape[1:])]))
        slopes = threshold_slopes(shape)
    return MarginalModel(
        model.link,
        model.keep,
        parameters[:p],
        np.exp(2 * parameters[p : p + k]),
        model.variances_estimated,
        thresholds,
        slopes,
        model.n_parameters,
        model.class_values,
    )


@pytest.mark.parametrize("kind", ["proportions", "classes"])
def test_gradient_is_that_of_the_means(kind: str) -> None:
    """The analytic gradient equals central differences in every parameter."""
    fit = proportions() if kind == "proportions" else classes()
    scenarios = SCENARIOS if kind == "proportions" else {name: rows[:, 1:] for name, rows in SCENARIOS.items()}
    values = None if kind == "proportions" else np.array([0.0, 10.0, 40.0, 90.0])
    model = marginal_from_laplace(fit, values)
    averages = average_means(model, scenarios)
    for j in range(len(fit.parameters)):
        step = np.zeros(len(fit.parameters))
        step[j] = 1e-5
        up = average_means(moved(fit, model, step), scenarios).means
        down = average_means(moved(fit, model, -step), scenarios).means
        np.testing.assert_allclose(averages.gradient[:, j], (up - down) / 2e-5, atol=1e-6)


@pytest.mark.parametrize("sd", [0.0, 0.5, 1.5, 3.0])
def test_random_effects_are_integrated_out(sd: float) -> None:
    """The expected proportion equals numerical integration over the normal distribution."""
    one = np.ones(1, dtype=bool)
    none = np.zeros(0)
    model = MarginalModel("logit", one, np.ones(1), np.array([sd**2]), True, none, np.zeros((0, 0)), 2, none)
    for eta in (-3.0, -0.5, 0.0, 2.0):
        wanted = quad(lambda z, eta=eta: np.exp(-z * z / 2) / (1 + np.exp(-eta - sd * z)), -12, 12)[0] / np.sqrt(
            2 * np.pi
        )
        assert expected(model, np.array([eta]))[0] == pytest.approx(wanted, abs=2e-6)


def test_linear_difference_is_the_coefficient() -> None:
    """With the identity link the averaged difference and its error are those of the coefficient."""
    y = predictor() + np.random.default_rng(9).normal(size=N)
    fit = fit_linear(y, X, NAMES, RANDOM)
    averages = average_means(marginal_from_mixed(fit, "identity"), SCENARIOS)
    found = averages.difference("removed", "kept", model_uncertainty(fit.covariance))
    assert found.estimate[0] == pytest.approx(fit.coefficients[1], abs=1e-10)
    assert found.se[0] == pytest.approx(fit.standard_errors[1], rel=1e-10)


def test_log_ratio_of_rates_is_the_coefficient() -> None:
    """With the log link the log ratio of averaged rates and its error are those of the coefficient."""
    y = np.random.default_rng(10).poisson(np.exp(predictor())).astype(np.float64)
    fit = fit_counts(y, X, NAMES, RANDOM, family="poisson")
    averages = average_means(marginal_from_mixed(fit, "log"), SCENARIOS)
    found = averages.log_ratio("removed", "kept", model_uncertainty(fit.covariance))
    assert found.estimate[0] == pytest.approx(fit.coefficients[1], abs=1e-10)
    assert found.se[0] == pytest.approx(fit.standard_errors[1], rel=1e-8)
    variance = sum(float(c.covariance[0, 0]) for c in fit.components)
    wanted = np.exp(SCENARIOS["kept"] @ fit.coefficients + variance / 2).mean()
    assert averages.means[1] == pytest.approx(wanted, rel=1e-12)


def test_log_ratio_of_rates_from_the_laplace_fit_is_the_coefficient() -> None:
    """The Laplace count model gives the same contrast, and its averaged rate carries the variances' uncertainty."""
    y = np.random.default_rng(10).poisson(np.exp(predictor())).astype(np.float64)
    fit = fit_laplace(Poisson(y), X, NAMES, RANDOM)
    averages = average_means(marginal_from_laplace(fit), SCENARIOS)
    found = averages.log_ratio("removed", "kept", model_uncertainty(fit.parameter_covariance))
    assert found.estimate[0] == pytest.approx(fit.coefficients[1], abs=1e-10)
    assert found.se[0] == pytest.approx(fit.standard_errors[1], rel=1e-8)
    wanted = np.exp(SCENARIOS["kept"] @ fit.coefficients + np.sum(fit.random_sd**2) / 2).mean()
    assert averages.means[1] == pytest.approx(wanted, rel=1e-12)
    np.testing.assert_allclose(averages.gradient[:, 3:], np.outer(averages.means, fit.random_sd**2), rtol=1e-12)


def test_averaged_effect_is_smaller_than_the_conditional_one() -> None:
    """Averaging over units shrinks a difference on the logit scale; percentage points are 100 times it."""
    fit = proportions()
    averages = average_means(marginal_from_laplace(fit), SCENARIOS)
    a, b = averages.means
    assert 0 < np.log(a / (1 - a)) - np.log(b / (1 - b)) < fit.coefficients[1]
    uncertainty = model_uncertainty(fit.parameter_covariance)
    points = averages.difference("removed", "kept", uncertainty, scale=100.0)
    assert points.estimate[0] == pytest.approx(100 * (a - b), rel=1e-12)
    assert points.low[0] < points.estimate[0] < points.high[0]
    gradient = averages.difference_gradient("removed", "kept")
    assert points.se[0] == pytest.approx(100 * np.sqrt(gradient @ fit.parameter_covariance @ gradient), rel=1e-12)
    ratio = averages.log_ratio("removed", "kept", uncertainty)
    assert ratio.estimate[0] == pytest.approx(np.log(a / b), rel=1e-12)
    both = averages.estimate(uncertainty, scale=100.0)
    np.testing.assert_allclose(both.estimate, 100 * averages.means)


def test_chances_of_classes_sum_to_one_and_give_the_mean_value() -> None:
    """Averaged class chances sum to one and, weighted by class values, to the averaged value."""
    fit = classes()
    values = np.array([0.0, 10.0, 40.0, 90.0])
    model = marginal_from_laplace(fit, values)
    rows = SCENARIOS["removed"][:, 1:]
    chances = mean_chances(model, rows)
    assert chances.sum() == pytest.approx(1, abs=1e-12)
    averages = average_means(model, {"removed": rows})
    assert chances @ values == pytest.approx(averages.means[0], rel=1e-10)


def test_weights_count_rows() -> None:
    """A row of weight two counts as two rows."""
    model = marginal_from_laplace(proportions())
    rows = SCENARIOS["kept"][:10]
    twice = np.vstack([rows, rows[:3]])
    weights = np.where(np.arange(10) < 3, 2.0, 1.0)
    weighted = average_means(model, {"kept": rows}, weights)
    repeated = average_means(model, {"kept": twice})
    np.testing.assert_allclose(weighted.means, repeated.means, rtol=1e-12)
    np.testing.assert_allclose(weighted.gradient, repeated.gradient, rtol=1e-10)


def test_wrong_requests_are_refused() -> None:
    """Unknown scenarios, wrong rows and class values out of place are refused."""
    fit = proportions()
    model = marginal_from_laplace(fit)
    averages = average_means(model, SCENARIOS)
    with pytest.raises(ValueError, match="there is no scenario 'sham'"):
        averages.difference("sham", "kept", model_uncertainty(fit.parameter_covariance))
    with pytest.raises(ValueError, match="wanted \\(rows, 3\\)"):
        average_means(model, {"kept": SCENARIOS["kept"][:, :2]})
    with pytest.raises(ValueError, match="at least one scenario"):
        average_means(model, {})
    with pytest.raises(ValueError, match="class values are needed"):
        marginal_from_laplace(fit, np.arange(3.0))
    with pytest.raises(ValueError, match="3 class values for 4 classes"):
        marginal_from_laplace(classes(), np.arange(3.0))
    with pytest.raises(ValueError, match="no ordered classes"):
        mean_chances(model, SCENARIOS["kept"])
