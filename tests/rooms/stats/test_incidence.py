"""Chances of competing ends, shares and rates with clustered errors, ordered classes."""

import numpy as np
import pytest

from domatia.stats.clustering import one_sided
from domatia.stats.cumulative_logit import cumulative_logit
from domatia.stats.incidence import incidence, influences
from domatia.stats.shares import clustered_rates, clustered_shares


def drawn(n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Draw times and causes with ties and stopped watches."""
    rng = np.random.default_rng(seed)
    return np.ceil(rng.exponential(20.0, n)), rng.integers(0, 3, n)


def test_without_stopped_watches_chances_are_plain_shares() -> None:
    """With nothing censored the chance of a cause by t is the share of individuals that it has ended by t."""
    stop, cause = drawn(200, 1)
    cause = np.where(cause == 0, 1, cause)
    found = incidence(stop, cause, 2)
    for when in (5.0, 20.0, 60.0):
        plain = [np.mean((cause == k) & (stop <= when)) for k in (1, 2)]
        assert found.at(np.array([when]))[0] == pytest.approx(plain, abs=1e-12)


def test_chances_and_the_rest_add_up_to_one() -> None:
    """At every moment the causes and "nothing yet" share one whole."""
    found = incidence(*drawn(150, 2), 2)
    assert found.none + found.chances.sum(axis=1) == pytest.approx(np.ones(len(found.times)), abs=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_influence_is_the_slope_in_each_individuals_weight(seed: int) -> None:
    """Doubling an individual in a large sample moves the chance by about its influence."""
    stop, cause = drawn(400, seed)
    each = influences(stop, cause, 2, 25.0)
    base = incidence(stop, cause, 2).at(np.array([25.0]))[0]
    for i in range(0, 400, 57):
        again = incidence(np.append(stop, stop[i]), np.append(cause, cause[i]), 2).at(np.array([25.0]))[0]
        assert again - base == pytest.approx(each[i], abs=3e-5)


def test_wrong_times_and_causes_are_refused() -> None:
    """Negative or missing times and unknown causes are wrong use."""
    with pytest.raises(ValueError, match="missing or negative"):
        incidence(np.array([np.nan]), np.array([1]), 2)
    with pytest.raises(ValueError, match="another number was given"):
        incidence(np.array([1.0]), np.array([3]), 2)
    with pytest.raises(ValueError, match="one of both"):
        incidence(np.array([1.0]), np.array([1, 2]), 2)


def test_nothing_that_ended_gives_chances_of_nought() -> None:
    """All watches stopped: no moment, and a chance of nought at any time."""
    found = incidence(np.array([3.0, 4.0]), np.array([0, 0]), 2)
    assert found.at(np.array([10.0])).tolist() == [[0.0, 0.0]]
    assert influences(np.array([3.0, 4.0]), np.array([0, 0]), 2, 10.0).tolist() == [[0.0, 0.0], [0.0, 0.0]]


def made(hits: tuple[int, int], sizes: tuple[int, int]) -> "tuple[np.ndarray, list[tuple[np.ndarray, np.ndarray]]]":
    """Give two groups of shares with their influences, each row its own cluster."""
    values, adds, at = [], [], 0
    for k, n in zip(hits, sizes, strict=True):
        y = np.arange(n) < k
        values.append(k / n)
        adds.append((np.arange(at, at + n), (y - k / n) / n))
        at += n
    return np.array(values), adds


def test_shares_of_independent_rows_have_the_binomial_error() -> None:
    """With each row a cluster the standard error is that of n independent trials, to the small-sample factor."""
    values, adds = made((30, 60), (100, 100))
    got = clustered_shares(values, adds, np.arange(200), np.array([100, 100]))
    assert got.each.se == pytest.approx(np.sqrt(values * (1 - values) / 100), rel=0.01)
    gap = got.difference(1, 0)
    assert gap.estimate[0] == pytest.approx(0.3)
    assert gap.se[0] == pytest.approx(np.sqrt(0.21 / 100 + 0.24 / 100), rel=0.01)


def test_a_share_of_nought_has_an_interval_and_so_has_its_difference() -> None:
    """No hit among 20: the exact upper end; the difference never claims to be sure of nought."""
    values, adds = made((0, 10), (20, 20))
    got = clustered_shares(values, adds, np.arange(40), np.array([20, 20]))
    assert got.each.low[0] == 0.0
    assert got.each.high[0] == pytest.approx(1 - 0.025 ** (1 / 20))
    gap = got.difference(0, 1)
    assert gap.low[0] < -0.5 < gap.high[0] < 0.0
    both, adds = made((0, 0), (20, 20))
    none = clustered_shares(both, adds, np.arange(40), np.array([20, 20])).difference(0, 1)
    assert none.low[0] < -0.1
    assert none.high[0] > 0.1


def test_rates_leave_out_whole_clusters() -> None:
    """The error of a log rate is that of leaving out one cluster at a time, written out by hand."""
    rng = np.random.default_rng(5)
    cluster, group = np.repeat(np.arange(8), 6), np.tile([0, 1], 24)
    counts, sizes = rng.poisson(3.0, 48).astype(float), rng.uniform(1, 4, 48)
    got = clustered_rates(counts, sizes, group, cluster)
    left = []
    for c in range(8):
        keep = cluster != c
        left.append([np.log(counts[keep & (group == g)].sum() / sizes[keep & (group == g)].sum()) for g in (0, 1)])
    spread = np.array(left) - np.mean(left, axis=0)
    covariance = 7 / 8 * spread.T @ spread
    assert got.each.se == pytest.approx(np.sqrt(np.diag(covariance)))
    ratio = got.ratio(1, 0)
    assert ratio.estimate[0] == pytest.approx(got.each.estimate[1] / got.each.estimate[0])
    assert ratio.se[0] == pytest.approx(np.sqrt(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]))


def test_a_rate_of_nought_is_undefined() -> None:
    """A group without any contact has no logarithm of a rate."""
    with pytest.raises(ValueError, match="undefined"):
        clustered_rates(np.array([0.0, 2.0]), np.ones(2), np.array([0, 1]), np.array([0, 1]))


def test_two_classes_are_a_logistic_regression() -> None:
    """With two classes and one group the odds ratio is the cross product of the table."""
    classes = np.repeat([0, 1, 0, 1], [30, 20, 10, 40])
    x = np.repeat([0.0, 1.0], [50, 50])[:, None]
    fit = cumulative_logit(classes, x, kind="model")
    assert np.exp(fit.coefficients.estimate[0]) == pytest.approx((40 / 10) / (20 / 30), rel=1e-8)
    assert fit.coefficients.se[0] == pytest.approx(np.sqrt(1 / 30 + 1 / 20 + 1 / 10 + 1 / 40), rel=1e-6)


def test_cumulative_logit_recovers_what_was_drawn() -> None:
    """Simulated truth (seed 3): log odds ratio 1.2 over four classes, errors as large as the scatter."""
    rng = np.random.default_rng(3)
    found = []
    for _ in range(60):
        x = rng.integers(0, 2, 300).astype(float)
        y = np.searchsorted([-0.5, 0.6, 1.8], rng.logistic(1.2 * x))
        fit = cumulative_logit(y, x[:, None], np.arange(300) // 5)
        found.append((fit.coefficients.estimate[0], fit.coefficients.se[0]))
    estimates, errors = np.array(found).T
    assert estimates.mean() == pytest.approx(1.2, abs=0.08)
    assert errors.mean() == pytest.approx(estimates.std(ddof=1), rel=0.25)


def test_cumulative_logit_names_what_runs_off_and_refuses_what_tells_nothing() -> None:
    """A group all in the top class is separated; one class and constant columns are wrong use."""
    classes = np.array([0, 1, 0, 1, 2, 2, 2, 2])
    x = np.repeat([0.0, 1.0], 4)[:, None]
    assert cumulative_logit(classes, x).separated == (0,)
    with pytest.raises(ValueError, match="same class"):
        cumulative_logit(np.ones(8, dtype=np.int64), x)
    with pytest.raises(ValueError, match="constant"):
        cumulative_logit(classes, np.ones((8, 1)))


def test_answers_do_not_depend_on_the_order_of_rows() -> None:
    """Shuffled rows give the same numbers to the last bit (fit) or rounding (sums)."""
    rng = np.random.default_rng(8)
    y, x, c = rng.integers(0, 4, 90), rng.standard_normal((90, 2)), rng.integers(0, 9, 90)
    order = rng.permutation(90)
    one, other = cumulative_logit(y, x, c), cumulative_logit(y[order], x[order], c[order])
    assert (one.coefficients.estimate == other.coefficients.estimate).all()
    assert (one.coefficients.se == other.coefficients.se).all()


def test_one_sided_ends_are_those_of_the_exact_binomial() -> None:
    """The end that `clustered_shares` gives a share of one is the exact one (Clopper & Pearson 1934)."""
    values, adds = made((20, 10), (20, 20))
    got = clustered_shares(values, adds, np.arange(40), np.array([20, 20])).each
    alone = one_sided(type(got)(np.ones(1), np.zeros(1), np.ones(1), np.ones(1)), 20)
    assert got.low[0] == pytest.approx(alone.low[0])
    assert got.high[0] == 1.0
