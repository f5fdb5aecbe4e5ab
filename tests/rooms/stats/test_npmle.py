"""The interval-censored curve and its band."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from domatia.stats.npmle import npmle, npmle_band

NEVER = np.inf


def test_mass_counts_once_its_right_end_is_reached() -> None:
    """Inside a cell survival is at its highest until the right end; the bounds show the lowest."""
    found = npmle(np.array([1.0, 1.0]), np.array([2.0, NEVER]))
    assert_allclose(found.survival_at(np.array([1.0, 1.5, 2.0])), [1.0, 1.0, 0.0])
    low, high = found.bounds_at(np.array([1.0, 1.5, 2.0]))
    assert_allclose(low, [1.0, 0.0, 0.0])
    assert_allclose(high, [1.0, 1.0, 0.0])


def test_exact_times_with_censoring_give_the_product_limit_curve() -> None:
    """With exact times the curve is Kaplan and Meier's: 4/5, then 4/5 * 2/3, then the rest."""
    found = npmle(np.array([1.0, 2.0, 3.0, 4.0, 5.0]), np.array([1.0, NEVER, 3.0, NEVER, 5.0]))
    assert_allclose(found.survival_at(np.array([0.5, 1.0, 3.0, 5.0])), [1.0, 0.8, 0.8 * 2 / 3, 0.0], atol=1e-9)


def test_death_at_the_censoring_time_still_counts_as_at_risk() -> None:
    """An individual censored at 2 was still at risk of the death at 2."""
    found = npmle(np.array([2.0, 2.0]), np.array([2.0, NEVER]))
    assert_allclose(found.survival_at(np.array([2.0])), [0.5])


def test_steps_start_at_one_and_end_at_what_never_died() -> None:
    """The drawn curve starts at (0, 1) and leaves the mass beyond the last visit undrawn."""
    times, alive = npmle(np.array([0.0, 1.0, 2.0]), np.array([1.0, 2.0, NEVER])).steps()
    assert_allclose(times, [0.0, 1.0, 2.0])
    assert_allclose(alive, [1.0, 2 / 3, 1 / 3], atol=1e-9)


def test_weights_are_repetitions() -> None:
    """A weight of 3 is the same as three individuals."""
    left, right = np.array([0.0, 1.0, 1.0]), np.array([2.0, 3.0, NEVER])
    weighted = npmle(left, right, np.array([3.0, 1.0, 2.0]))
    repeated = npmle(np.repeat(left, [3, 1, 2]), np.repeat(right, [3, 1, 2]))
    assert_allclose(weighted.log_likelihood, repeated.log_likelihood, atol=1e-12)
    assert_allclose(weighted.mass, repeated.mass, atol=1e-9)


@pytest.mark.parametrize(
    ("left", "right", "message"),
    [
        ([2.0], [1.0], "end before they begin"),
        ([np.nan], [1.0], "not a number"),
        ([], [], "at least one individual"),
        ([0.0, 1.0], [1.0], "lengths differ"),
    ],
)
def test_malformed_intervals_are_refused(left: list[float], right: list[float], message: str) -> None:
    """Reversed, missing, absent and unequal intervals are named."""
    with pytest.raises(ValueError, match=message):
        npmle(np.array(left), np.array(right))


def test_band_repeats_from_its_seed_and_holds_the_curve() -> None:
    """The same seed gives the same band, which lies around the curve."""
    rng = np.random.default_rng(3)
    left = rng.integers(0, 6, 200).astype(np.float64)
    right = np.where(rng.random(200) < 0.5, left + 1.0, NEVER)
    block = np.repeat(np.arange(10), 20)
    times = np.array([2.0, 4.0])
    one = npmle_band(left, right, block, times, np.random.default_rng(1), 99)
    two = npmle_band(left, right, block, times, np.random.default_rng(1), 99)
    assert_array_equal(one.low, two.low)
    assert ((one.low < one.estimate) & (one.estimate < one.high)).all()
    assert "10 groups" in one.text
    assert "few groups" in one.text


def test_band_of_one_group_is_no_band() -> None:
    """One group gives the curve, no interval, and says so."""
    found = npmle_band(
        np.array([0.0, 1.0]), np.array([1.0, NEVER]), np.array([7, 7]), np.array([1.0]), np.random.default_rng(1)
    )
    assert np.isnan(found.low).all()
    assert "Only one group" in found.text
    assert_allclose(found.estimate, [0.5], atol=1e-9)


def test_band_covers_the_truth_when_groups_differ() -> None:
    """Over 60 simulated studies with group effects the band holds true survival in at least nine of ten."""
    truth = np.mean(np.exp(-0.5 * np.exp(np.random.default_rng(0).normal(0, 0.7, 200_000))))
    held = 0
    for seed in range(60):
        rng = np.random.default_rng([5, seed])
        block = np.repeat(np.arange(20), 15)
        death = rng.exponential(1.0, 300) / (0.5 * np.exp(rng.normal(0, 0.7, 20)[block]))
        left = np.minimum(np.floor(death * 2) / 2, 3.0)
        right = np.where(death < 3.0, left + 0.5, NEVER)
        band = npmle_band(left, right, block, np.array([1.0]), rng, 99)
        held += int(band.low[0] <= truth <= band.high[0])
    assert held >= 54
