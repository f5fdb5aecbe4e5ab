"""Response families: derivatives and behaviour far out."""

import warnings

import numpy as np
import pytest

from domatia.stats.count_families import NegativeBinomial, Poisson
from domatia.stats.families import Beta, BetaBinomial, Binomial, Family
from domatia.stats.ordered import Ordered, class_chances, threshold_slopes

RNG = np.random.default_rng(14)
N = 400
TRIALS = RNG.integers(0, 20, N).astype(np.float64)
HITS = RNG.binomial(TRIALS.astype(np.int64), 0.3).astype(np.float64)
COUNTS = RNG.poisson(3, N).astype(np.float64)
FAMILIES: list[Family] = [
    Binomial(HITS, TRIALS),
    BetaBinomial(HITS, TRIALS),
    Beta(RNG.beta(2, 3, N)),
    Ordered(RNG.integers(1, 6, N)),
    Poisson(COUNTS),
    NegativeBinomial(COUNTS, np.full(N, 2.0)),
]
NAMES = [type(family).__name__ for family in FAMILIES]


@pytest.mark.parametrize("family", FAMILIES, ids=NAMES)
def test_derivatives_are_those_of_the_value(family: Family) -> None:
    """First to third derivatives and those by the shape equal central differences."""
    eta = RNG.normal(size=N)
    shape = family.start() + 0.3
    h = 1e-5
    at = family.curve(eta, shape, full=True)
    up, down = family.curve(eta + h, shape, full=True), family.curve(eta - h, shape, full=True)
    assert at.third is not None
    np.testing.assert_allclose(at.first, (up.value - down.value) / (2 * h), atol=1e-7)
    np.testing.assert_allclose(at.second, (up.first - down.first) / (2 * h), atol=1e-7)
    np.testing.assert_allclose(at.third, (up.second - down.second) / (2 * h), atol=1e-7)
    for k, (by_value, by_first, by_second) in enumerate(at.by_shape):
        step = np.zeros(len(shape))
        step[k] = h
        up, down = family.curve(eta, shape + step, full=True), family.curve(eta, shape - step, full=True)
        np.testing.assert_allclose(by_value, (up.value - down.value) / (2 * h), atol=1e-7)
        np.testing.assert_allclose(by_first, (up.first - down.first) / (2 * h), atol=1e-7)
        np.testing.assert_allclose(by_second, (up.second - down.second) / (2 * h), atol=1e-7)
    assert len(at.by_shape) == len(family.shape_names)


@pytest.mark.parametrize("family", FAMILIES, ids=NAMES)
@pytest.mark.parametrize("shift", [-800.0, -40.0, 40.0, 800.0])
@pytest.mark.parametrize("push", [-60.0, 0.0, 60.0])
def test_nothing_overflows_far_out(family: Family, shift: float, push: float) -> None:
    """Predictors and shapes beyond all reason raise no warning and give no nan."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        c = family.curve(np.full(N, shift), family.start() + push, full=True)
    for values in (c.value, c.first, c.second, c.third):
        assert values is not None
        assert not np.isnan(values).any()


def test_binomial_and_beta_binomial_are_probabilities() -> None:
    """Over all outcomes of seven trials the chances sum to one."""
    outcomes, trials = np.arange(8.0), np.full(8, 7.0)
    for family, shape in ((Binomial(outcomes, trials), np.zeros(0)), (BetaBinomial(outcomes, trials), np.array([0.8]))):
        value = family.curve(np.full(8, 0.4), shape, full=False).value
        assert np.exp(-value).sum() == pytest.approx(1, abs=1e-12)


def test_negative_binomial_counts_are_probabilities() -> None:
    """Chances of all counts sum to one and their mean is the exposure times the rate."""
    counts = np.arange(2000.0)
    family = NegativeBinomial(counts, np.full(2000, 3.0))
    chance = np.exp(-family.curve(np.full(2000, 0.4), np.array([0.5]), full=False).value)
    assert chance.sum() == pytest.approx(1, abs=1e-10)
    assert chance @ counts == pytest.approx(3 * np.exp(0.4), rel=1e-8)


def test_chances_of_classes() -> None:
    """Class chances sum to one, agree with the family's value, and move with the thresholds as said."""
    family = Ordered(np.array([1, 2, 4, 4, 2, 1]))
    assert family.levels.tolist() == [1, 2, 4]
    shape = np.array([-0.4, 0.1])
    eta = np.linspace(-2, 2, 6)
    thresholds = family.natural_shape(shape)
    chances = class_chances(eta, thresholds)
    np.testing.assert_allclose(chances.sum(axis=1), 1, atol=1e-15)
    own = chances[np.arange(6), family.codes]
    np.testing.assert_allclose(-np.log(own), family.curve(eta, shape, full=False).value, atol=1e-12)
    moved = family.natural_shape(shape + np.array([0.0, 1e-6]))
    np.testing.assert_allclose(threshold_slopes(shape)[:, 1], (moved - thresholds) / 1e-6, atol=1e-5)
