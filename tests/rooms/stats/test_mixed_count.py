"""Count mixed models: exposure, degenerate counts, wrong use."""

import warnings

import numpy as np
import pytest

from domatia.stats.arrays import Floats, Ints
from domatia.stats.mixed_count import fit_counts
from domatia.stats.mixed_fit import RandomTerm

N = 120
UNIT: Ints = np.repeat(np.arange(24), 5)
RANDOM = (RandomTerm("unit", UNIT), RandomTerm("block", UNIT // 4))
TREATED = (UNIT % 2).astype(np.float64)
X: Floats = np.column_stack([np.ones(N), TREATED])
NAMES = ("mean", "treated")


def counts() -> Floats:
    """Simulate overdispersed counts."""
    rng = np.random.default_rng(2)
    mean = np.exp(1 + 0.5 * TREATED + rng.normal(0, 0.5, 24)[UNIT])
    return rng.poisson(rng.gamma(2, mean / 2)).astype(np.float64)


def test_doubled_exposure_halves_the_rate() -> None:
    """Exposure acts as an offset: doubling it lowers only the intercept, by log 2."""
    once = fit_counts(counts(), X, NAMES, RANDOM, exposure=np.full(N, 3.0))
    twice = fit_counts(counts(), X, NAMES, RANDOM, exposure=np.full(N, 6.0))
    assert once.coefficients[0] - twice.coefficients[0] == pytest.approx(np.log(2), abs=1e-4)
    assert once.coefficients[1] == pytest.approx(twice.coefficients[1], abs=1e-4)
    assert np.isinf(once.df).all()


def test_row_order_changes_nothing() -> None:
    """Shuffled rows give the same numbers to the last bit."""
    order = np.random.default_rng(5).permutation(N)
    moved = tuple(term.take(order) for term in RANDOM)
    first, second = fit_counts(counts(), X, NAMES, RANDOM), fit_counts(counts()[order], X[order], NAMES, moved)
    np.testing.assert_array_equal(first.coefficients, second.coefficients)
    np.testing.assert_array_equal(first.covariance, second.covariance)
    np.testing.assert_array_equal(first.fitted[order], second.fitted)


@pytest.mark.parametrize("family", ["poisson", "negative_binomial"])
def test_counts_that_are_all_nought_have_no_estimate(family: str) -> None:
    """If every count is nought the answer is nan with the reason, not a crash and not a Python warning."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fit_counts(
            np.zeros(N), X, NAMES, RANDOM, family="poisson" if family == "poisson" else "negative_binomial"
        )
    assert np.isnan(fit.coefficients).all()
    assert not fit.converged
    assert any(note.startswith("no_variation:") for note in fit.warnings)


def test_an_arm_without_counts_is_named() -> None:
    """If one treatment never has a count its effect has no finite estimate, and the fit says so."""
    fit = fit_counts(np.where(TREATED > 0, 0, counts()), X, NAMES, RANDOM, family="poisson")
    assert any(note.startswith("separation:") for note in fit.warnings)


def test_counts_without_overdispersion_are_named() -> None:
    """Counts that vary less than Poisson leave the shape without finite estimate, and the fit says so."""
    fit = fit_counts(3 + TREATED, X, NAMES, RANDOM)
    assert any(note.startswith("no_overdispersion:") for note in fit.warnings)
    assert fit.coefficients == pytest.approx([np.log(3), np.log(4 / 3)], abs=1e-4)


def test_wrong_counts_are_refused() -> None:
    """Negative or broken counts and exposures of nought are refused."""
    with pytest.raises(ValueError, match="whole numbers"):
        fit_counts(counts() + 0.5, X, NAMES, RANDOM)
    with pytest.raises(ValueError, match="exposures must be positive"):
        fit_counts(counts(), X, NAMES, RANDOM, exposure=np.zeros(N))
    with pytest.raises(ValueError, match="no random term"):
        fit_counts(counts(), X, NAMES, ())
