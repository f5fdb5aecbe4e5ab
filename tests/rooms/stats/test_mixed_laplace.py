"""The Laplace mixed model: exact gradients, invariances, per-cluster scores and degenerate data."""

import warnings

import numpy as np
import pytest

from domatia.stats.arrays import Floats, Ints
from domatia.stats.count_families import NegativeBinomial, Poisson
from domatia.stats.families import Beta, BetaBinomial, Binomial, Family
from domatia.stats.laplace_groups import arrange
from domatia.stats.laplace_likelihood import Problem, evaluate
from domatia.stats.mixed_fit import RandomTerm
from domatia.stats.mixed_laplace import LaplaceFit, fit_laplace
from domatia.stats.ordered import Ordered

N = 120
INNER: Ints = np.repeat(np.arange(24), 5)
BLOCK: Ints = INNER // 4
ROUND: Ints = np.arange(N) % 5
TREATED = (INNER % 2).astype(np.float64)
X: Floats = np.column_stack([np.ones(N), TREATED])
NAMES = ("mean", "treated")
NESTED = (RandomTerm("plant", INNER), RandomTerm("block", BLOCK))
TRIALS = np.full(N, 10.0)


def responses(kind: str) -> Family:
    """Simulate responses with differences between units and blocks."""
    rng = np.random.default_rng(41)
    eta = 0.6 * TREATED - 0.5 + rng.normal(0, 0.7, 24)[INNER] + rng.normal(0, 0.5, 6)[BLOCK]
    chance = rng.beta(6 / (1 + np.exp(-eta)), 6 / (1 + np.exp(eta)))
    counts = rng.binomial(10, chance).astype(np.float64)
    families: dict[str, Family] = {
        "binomial": Binomial(counts, TRIALS),
        "beta_binomial": BetaBinomial(counts, TRIALS),
        "beta": Beta(np.clip(chance, 1e-4, 1 - 1e-4)),
        "poisson": Poisson(counts, TRIALS),
        "negative_binomial": NegativeBinomial(rng.poisson(rng.gamma(1.5, np.exp(1 + eta) / 1.5)).astype(np.float64)),
        "ordered": Ordered(np.digitize(eta + rng.logistic(size=N), [-1.0, 0.2, 1.0])),
    }
    return families[kind]


def columns(kind: str) -> tuple[Floats, tuple[str, ...]]:
    """Return the design: without intercept for ordered classes."""
    return (X[:, 1:], NAMES[1:]) if kind == "ordered" else (X, NAMES)


KINDS = ["binomial", "beta_binomial", "beta", "ordered", "poisson", "negative_binomial"]


@pytest.mark.parametrize("outer", [BLOCK, ROUND, None], ids=["nested", "crossed", "single"])
@pytest.mark.parametrize("kind", KINDS)
def test_gradient_is_that_of_the_value(kind: str, outer: Ints | None) -> None:
    """The exact gradient equals central differences of the approximated likelihood, and cells sum to it."""
    family, (design, _) = responses(kind), columns(kind)
    groups = arrange(INNER, outer, ())
    active = np.array([True, outer is not None])
    problem = Problem(family.take(groups.order), design[groups.order], groups, None, active)
    start = family.start() + 0.2
    point = np.concatenate([np.full(design.shape[1], 0.3), np.log([0.6, 0.4])[: active.sum()], start])
    at = evaluate(problem, point, None)
    for j in range(len(point)):
        step = np.zeros(len(point))
        step[j] = 1e-4
        up, down = evaluate(problem, point + step, at), evaluate(problem, point - step, at)
        assert at.gradient[j] == pytest.approx((up.value - down.value) / 2e-4, rel=1e-5, abs=1e-5)
        np.testing.assert_allclose(at.inner_slope[:, j], (up.inner - down.inner) / 2e-4, atol=1e-5)
    np.testing.assert_allclose(at.parts.sum(axis=0), at.gradient, atol=1e-10)


@pytest.mark.parametrize("kind", KINDS)
def test_row_order_changes_nothing(kind: str) -> None:
    """Shuffled rows give the same numbers to the last bit."""
    family, (design, names) = responses(kind), columns(kind)
    order = np.random.default_rng(5).permutation(N)
    first = fit_laplace(family, design, names, NESTED)
    moved = tuple(t.take(order) for t in NESTED)
    second = fit_laplace(family.take(order), design[order], names, moved)
    np.testing.assert_array_equal(first.parameters, second.parameters)
    np.testing.assert_array_equal(first.parameter_covariance, second.parameter_covariance)
    assert first.loglik == second.loglik
    np.testing.assert_array_equal(first.predictor[order], second.predictor)


@pytest.mark.parametrize("kind", KINDS)
def test_whole_weights_are_repeated_rows(kind: str) -> None:
    """A row of weight two is a row that stands twice."""
    family, (design, names) = responses(kind), columns(kind)
    weights = 1.0 + (np.arange(N) % 3 == 0)
    rows = np.repeat(np.arange(N), weights.astype(np.int64))
    weighted = fit_laplace(family, design, names, NESTED, weights=weights)
    repeated = fit_laplace(family.take(rows), design[rows], names, tuple(t.take(rows) for t in NESTED))
    assert weighted.loglik == pytest.approx(repeated.loglik, abs=1e-6)
    np.testing.assert_allclose(weighted.parameters, repeated.parameters, atol=2e-5)


def test_standard_errors_are_those_of_second_differences_of_the_likelihood() -> None:
    """The covariance inverts the second derivative that differences of the value alone give."""
    family = responses("ordered")
    fit = fit_laplace(family, X[:, 1:], NAMES[1:], NESTED)
    groups = arrange(INNER, BLOCK, ())
    problem = Problem(family.take(groups.order), X[groups.order, 1:], groups, None, np.array([True, True]))

    def value(move: Floats) -> float:
        return evaluate(problem, fit.parameters + move, None).value

    size = len(fit.parameters)
    h = 5e-3
    unit = np.eye(size) * h
    hessian = np.empty((size, size))
    for i in range(size):
        for j in range(size):
            corners = value(unit[i] + unit[j]) - value(unit[i] - unit[j])
            corners += value(-unit[i] - unit[j]) - value(unit[j] - unit[i])
            hessian[i, j] = corners / (4 * h * h)
    np.testing.assert_allclose(np.linalg.inv(hessian), fit.parameter_covariance, rtol=2e-3, atol=3e-5)


def test_cluster_scores_vanish_in_sum_and_their_information_is_the_models() -> None:
    """At the estimate the clusters' scores add to nought and their information inverts to the model's covariance."""
    fit = fit_laplace(responses("beta_binomial"), X, NAMES, NESTED)
    assert fit.scores is not None
    assert fit.scores.clusters.tolist() == list(range(6))
    np.testing.assert_allclose(fit.scores.scores.sum(axis=0), 0, atol=1e-4)
    np.testing.assert_allclose(fit.scores.covariance, fit.parameter_covariance, rtol=1e-6, atol=1e-12)
    robust = fit.scores.uncertainty("CR2")
    assert robust.df == 5
    ratio = np.sqrt(np.diag(robust.covariance)) / np.sqrt(np.diag(fit.parameter_covariance))
    assert np.all((ratio > 0.2) & (ratio < 5))


def test_a_cluster_score_is_the_gradient_of_its_own_likelihood() -> None:
    """With nested groups the likelihood is a product over blocks: one block's score is that of its rows alone."""
    family = responses("binomial")
    fit = fit_laplace(family, X, NAMES, NESTED)
    assert fit.scores is not None
    rows = np.flatnonzero(BLOCK == 2)
    groups = arrange(INNER[rows], BLOCK[rows], ())
    design = X[rows][groups.order]
    problem = Problem(family.take(rows).take(groups.order), design, groups, None, np.array([True, True]))
    alone = evaluate(problem, fit.parameters, None)
    np.testing.assert_allclose(fit.scores.scores[2], -alone.gradient, atol=1e-7)


def test_a_coarser_cluster_may_be_asked_for() -> None:
    """Scores for coarser clusters are sums of those of the blocks in them."""
    family = responses("binomial")
    fine = fit_laplace(family, X, NAMES, NESTED)
    coarse = fit_laplace(family, X, NAMES, NESTED, clusters=BLOCK // 2)
    assert fine.scores is not None
    assert coarse.scores is not None
    np.testing.assert_allclose(coarse.scores.scores, fine.scores.scores.reshape(3, 2, -1).sum(axis=1), atol=1e-12)
    across = fit_laplace(family, X, NAMES, NESTED, clusters=ROUND)
    assert across.scores is not None
    assert any(note.startswith("crossed:") for note in across.scores.warnings)


def degenerate() -> dict[str, tuple[Family, Floats, tuple[RandomTerm, ...], str]]:
    """Return data that no model fits well, with the word that must be said."""
    zeros = np.zeros(N)
    noise = np.random.default_rng(3).binomial(10, 0.3, N).astype(np.float64)
    one = (RandomTerm("plant", INNER * 0),)
    alias = np.column_stack([X, 1 - TREATED])
    return {
        "all nought": (Binomial(zeros, TRIALS), X, NESTED, "no_variation"),
        "all nought, beta-binomial": (BetaBinomial(zeros, TRIALS), X, NESTED, "no_variation"),
        "all hit": (Binomial(TRIALS, TRIALS), X, NESTED, "no_variation"),
        "no trials": (BetaBinomial(zeros, zeros), X, NESTED, "no_variation"),
        "one group": (Binomial(noise, TRIALS), X, one, "one_group"),
        "one block": (Binomial(noise, TRIALS), X, (NESTED[0], RandomTerm("block", BLOCK * 0)), "one_group"),
        "no differences": (Binomial(noise, TRIALS), X, NESTED, "singular"),
        "no overdispersion": (BetaBinomial(noise, TRIALS), X, NESTED, "no_overdispersion"),
        "separation": (Binomial(np.where(TREATED > 0, 0, noise), TRIALS), X, NESTED, "separation"),
        "separation by block": (Binomial(np.where(BLOCK > 2, 10.0, 0.0), TRIALS), X, NESTED, "no_finite_variance"),
        "twice the same": (Binomial(noise, TRIALS), alias, NESTED, "left_out"),
        "constant proportion": (Beta(np.full(N, 0.3)), X, NESTED, "no_overdispersion"),
        "proportions at the ends": (Beta(np.where(noise > 3, 1 - 1e-9, 1e-9)), X, NESTED, "singular"),
        "no counts": (NegativeBinomial(zeros), X, NESTED, "no_variation"),
        "no counts in an arm": (Poisson(np.where(TREATED > 0, 0, noise)), X, NESTED, "separation"),
        "even counts": (NegativeBinomial(3 + TREATED), X, NESTED, "no_overdispersion"),
        "ordered separation": (Ordered(np.where(TREATED > 0, 1, 2 + (noise > 3))), X[:, 1:], NESTED, "separation"),
        "ordered with intercept": (Ordered((noise > 3).astype(np.int64)), X, NESTED, "left_out"),
        "one row": (Binomial(np.array([4.0]), np.array([10.0])), X[:1], (RandomTerm("p", INNER[:1]),), "one_group"),
    }


@pytest.mark.parametrize("case", list(degenerate()))
def test_degenerate_data_are_finite_and_named(case: str) -> None:
    """Data that no model fits well give finite numbers and a word why, without a warning of the language."""
    family, design, random, word = degenerate()[case]
    names = tuple("abcd"[: design.shape[1]])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fit_laplace(family, design, names, random)
    assert any(note.startswith(word + ":") for note in fit.warnings), fit.warnings
    assert_finite(fit)


def assert_finite(fit: LaplaceFit) -> None:
    """Check every number of a fit that should be one."""
    kept = ~fit.left_out
    assert np.isfinite(fit.coefficients[kept]).all()
    assert np.isfinite(fit.standard_errors[kept]).all()
    assert np.isfinite(fit.random_sd).all()
    assert np.isfinite(fit.shape).all()
    assert np.isfinite(fit.loglik)
    assert np.isfinite(fit.predictor).all()
    assert fit.scores is not None
    assert np.isfinite(fit.scores.uncertainty().covariance).all()


def test_a_variance_of_nought_leaves_the_model_without_it() -> None:
    """Where blocks do not differ, the fit is that without blocks, and says so."""
    effect = np.tile([-1.5, -0.5, 0.5, 1.5], 6)[INNER]
    y: Floats = np.round(10 / (1 + np.exp(-effect - 0.4 * TREATED)))
    both = fit_laplace(Binomial(y, TRIALS), X, NAMES, NESTED)
    alone = fit_laplace(Binomial(y, TRIALS), X, NAMES, NESTED[:1])
    assert both.singular
    assert both.random_sd[1] == 0
    assert "singular: the variance between groups of block is estimated as nought" in both.warnings
    np.testing.assert_allclose(both.coefficients, alone.coefficients, atol=1e-5)
    assert both.loglik == pytest.approx(alone.loglik, abs=1e-7)
    assert not alone.singular


def test_what_is_not_possible_is_refused() -> None:
    """Slopes, three groupings, bad weights and missing values are refused with what is allowed."""
    family = responses("binomial")
    slope = RandomTerm("plant", INNER, X[:, 1:], ("treated",))
    with pytest.raises(ValueError, match="random slopes are not possible"):
        fit_laplace(family, X, NAMES, (slope,))
    with pytest.raises(ValueError, match="one or two are possible"):
        fit_laplace(family, X, NAMES, (*NESTED, RandomTerm("round", ROUND)))
    with pytest.raises(ValueError, match="weights must be positive"):
        fit_laplace(family, X, NAMES, NESTED, weights=np.zeros(N))
    with pytest.raises(ValueError, match="missing or infinite"):
        fit_laplace(family, X * np.nan, NAMES, NESTED)
    with pytest.raises(ValueError, match="strictly between 0 and 1"):
        Beta(np.array([0.0, 0.5]))
    with pytest.raises(ValueError, match="whole numbers between 0"):
        Binomial(np.array([3.0]), np.array([2.0]))
    with pytest.raises(ValueError, match="counts must be whole"):
        Poisson(np.array([-1.0]))
    with pytest.raises(ValueError, match="exposures must be positive"):
        NegativeBinomial(np.array([1.0]), np.array([0.0]))
    with pytest.raises(ValueError, match="same class"):
        Ordered(np.array([2, 2]))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_simulated_truth_is_recovered(seed: int) -> None:
    """From 60 blocks of 8 units the beta-binomial's truths lie within four standard errors."""
    rng = np.random.default_rng(seed)
    block = np.repeat(np.arange(60), 32)
    unit = np.repeat(np.arange(480), 4)
    treated = ((unit + block) % 2).astype(np.float64)
    eta = -0.5 + 0.8 * treated + rng.normal(0, 0.7, 480)[unit] + rng.normal(0, 0.5, 60)[block]
    mean = 1 / (1 + np.exp(-eta))
    y = rng.binomial(10, rng.beta(8 * mean, 8 * (1 - mean))).astype(np.float64)
    design = np.column_stack([np.ones(len(y)), treated])
    random = (RandomTerm("unit", unit), RandomTerm("block", block))
    fit = fit_laplace(BetaBinomial(y, np.full(len(y), 10.0)), design, NAMES, random)
    truth = np.array([-0.5, 0.8, np.log(0.7), np.log(0.5), np.log(8)])
    distance = (fit.parameters - truth) / np.sqrt(np.diag(fit.parameter_covariance))
    assert np.abs(distance).max() < 4
