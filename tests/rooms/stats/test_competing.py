"""Competing events between looks."""

from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import linalg

from domatia.stats.arrays import Floats
from domatia.stats.competing import (
    CompetingHazards,
    CompetingRows,
    competing_hazards,
    cumulative_incidence,
    incidence_difference,
    outcome_chances,
)
from domatia.stats.interval_hazard import IntervalRows, interval_hazard


def simulated(seed: int, plants: int = 240) -> CompetingRows:
    """Make two causes with hazards 0.6 exp(0.7 x) and 0.3, looks at random times, 12 groups."""
    rng = np.random.default_rng(seed)
    parts = []
    for i in range(plants):
        x = (i // 12 % 2) * 1.0
        rates = np.array([0.6 * np.exp(0.7 * x), 0.3])
        when, what = rng.exponential(1 / rates.sum()), int(rng.random() > rates[0] / rates.sum()) + 1
        looks = np.concatenate([[0.0], np.sort(rng.uniform(0.0, 2.5, 4))])
        for a, b in pairwise(looks):
            if a < when:
                parts.append((a, b, what if when <= b else 0, x, rng.random(), i % 12))
    t = np.array(parts)
    return CompetingRows(t[:, 0], t[:, 1], t[:, 2].astype(np.int64), t[:, 3:5], t[:, 5].astype(np.int64))


@pytest.fixture(scope="module")
def fit() -> CompetingHazards:
    """Fit one simulated study."""
    return competing_hazards(simulated(1), np.array([0.8]))


def test_chances_are_those_of_matrix_exponentials() -> None:
    """A row over three pieces has the chances of the chain's matrix exponentials, multiplied."""
    risk, rate = np.array([[1.3, 0.4]]), np.array([[0.5, 1.2, 1e-9], [0.1, 0.9, 2.0]])
    overlap = np.array([[0.3, 1.0, 0.2]])
    whole = np.eye(3)
    for k in range(3):
        Q = np.zeros((3, 3))
        Q[0, 1:] = risk[0] * rate[:, k]
        Q[0, 0] = -Q[0].sum()
        whole = whole @ linalg.expm(Q * overlap[0, k])
    chance, _ = outcome_chances(risk, rate, overlap)
    assert_allclose(chance[0], whole[0], rtol=1e-12)


def test_derivatives_of_chances() -> None:
    """Derivatives in every log hazard equal differenced chances, also where hazards are tiny."""
    risk, overlap = np.array([[1.3, 0.4], [0.2, 1e-5]]), np.array([[0.3, 1.0, 0.2], [0.0, 1e-4, 2.0]])
    log_rate = np.log(np.array([[0.5, 1.2, 1e-4], [0.1, 0.9, 2.0]]))
    _, slope = outcome_chances(risk, np.exp(log_rate), overlap)
    for c in range(2):
        for k in range(3):
            step = np.zeros((2, 3))
            step[c, k] = 1e-6
            up, down = (outcome_chances(risk, np.exp(log_rate + s * step), overlap)[0] for s in (1, -1))
            assert_allclose(slope[:, :, c, k], (up - down) / 2e-6, rtol=1e-6, atol=1e-10)


def test_one_cause_is_the_survival_model() -> None:
    """With a single cause the answer is that of the interval hazard model."""
    rows = simulated(2)
    some = (np.asarray(rows.cause) > 0).astype(np.int64)
    one = competing_hazards(CompetingRows(rows.start, rows.stop, some, rows.X, rows.cluster), np.array([1.0]))
    other = interval_hazard(IntervalRows(rows.start, rows.stop, some, rows.X, rows.cluster), np.array([1.0]))
    assert_allclose(one.parameters, other.parameters, atol=1e-6)
    assert_allclose(one.log_likelihood, other.log_likelihood, atol=1e-9)
    assert_allclose(one.coefficients.se[0], other.coefficients.se, rtol=0.05)


def test_causes_and_freedom_sum_to_one(fit: CompetingHazards) -> None:
    """Cumulative incidences and the chance of nothing add up to 1, and lie inside their intervals."""
    found = cumulative_incidence(fit, np.array([[1.0, 0.3], [0.0, 0.9]]), np.array([0.4, 1.5]))
    total = found.free.estimate + found.by_cause.estimate.sum(axis=0)
    assert_allclose(total, 1.0, atol=1e-12)
    e = found.by_cause
    assert ((e.low > 0) & (e.low < e.estimate) & (e.estimate < e.high) & (e.high < 1)).all()


def test_difference_is_signed_and_has_a_standard_error(fit: CompetingHazards) -> None:
    """The difference between two settings is the difference of their incidences; turned round it changes sign."""
    one, nought, t = np.array([[1.0, 0.5]]), np.array([[0.0, 0.5]]), np.array([1.0])
    gap, back = incidence_difference(fit, one, nought, t), incidence_difference(fit, nought, one, t)
    single = [cumulative_incidence(fit, x, t).by_cause.estimate for x in (one, nought)]
    assert_allclose(gap.estimate, single[0] - single[1])
    assert_allclose(gap.low, -back.high)
    assert (gap.se > 0).all()


def test_row_order_does_not_matter(fit: CompetingHazards) -> None:
    """Reversed rows give the same answer."""
    rows = simulated(1)
    assert rows.cluster is not None
    turned = CompetingRows(rows.start[::-1], rows.stop[::-1], rows.cause[::-1], rows.X[::-1], rows.cluster[::-1])
    other = competing_hazards(turned, np.array([0.8]))
    assert_allclose(other.parameters, fit.parameters, rtol=1e-8, atol=1e-10)
    assert_allclose(other.coefficients.se, fit.coefficients.se, rtol=1e-7)


def test_a_cause_missing_from_a_group_is_held_and_named() -> None:
    """Cause 2 never in group x = 1: its coefficient is finite, named with its cause, and the others stay."""
    rows = simulated(3)
    cause = np.where((rows.X[:, 0] == 1) & (np.asarray(rows.cause) == 2), 1, rows.cause)
    found = competing_hazards(CompetingRows(rows.start, rows.stop, cause, rows.X, rows.cluster))
    assert found.separated == ((2, 0),)
    c = found.coefficients
    assert np.isfinite([c.estimate, c.se, c.low, c.high]).all()
    assert c.estimate[1, 0] < -2
    assert any("Cause 2" in note for note in found.notes)


def test_a_cause_missing_from_a_piece_is_held_and_named() -> None:
    """Cause 2 never after 1: its hazard there is small but finite, and said."""
    rows = simulated(4)
    cause = np.where((rows.start > 0.9) & (np.asarray(rows.cause) == 2), 1, rows.cause)
    cause = np.where((rows.stop > 1.0) & (rows.start < 1.0) & (cause == 2), 1, cause)
    found = competing_hazards(CompetingRows(rows.start, rows.stop, cause, rows.X), np.array([1.0]))
    assert np.isfinite(found.baseline.estimate).all()
    assert found.baseline.estimate[1, 1] < 0.1
    assert found.separated == ()
    assert any("no events between 1 and" in note for note in found.notes)


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    """Over 60 simulated studies the interval of a known log hazard ratio holds it at least 53 times."""
    held = 0
    for seed in range(60):
        c = competing_hazards(simulated(500 + seed, 120), np.array([0.8])).coefficients
        held += int(c.low[0, 0] <= 0.7 <= c.high[0, 0])
    assert held >= 53


def test_contrast_of_two_causes(fit: CompetingHazards) -> None:
    """One cause's log hazard ratio minus another's uses both variances and their covariance."""
    weights: Floats = np.zeros((1, 2, 2))
    weights[0, 0, 0], weights[0, 1, 0] = 1.0, -1.0
    made, V, second = fit.contrast(weights), fit.uncertainty.covariance, 4
    assert_allclose(made.estimate, fit.coefficients.estimate[0, 0] - fit.coefficients.estimate[1, 0])
    assert_allclose(made.se, np.sqrt(V[0, 0] + V[second, second] - 2 * V[0, second]))


def test_wrong_causes_and_times_are_refused(fit: CompetingHazards) -> None:
    """Negative and absent causes and times beyond the follow-up are named."""
    rows = simulated(5)
    with pytest.raises(ValueError, match="negative cause"):
        competing_hazards(CompetingRows(rows.start, rows.stop, rows.cause - 1, rows.X))
    with pytest.raises(ValueError, match=r"causes \[2\] never happened"):
        competing_hazards(CompetingRows(rows.start, rows.stop, np.where(rows.cause == 2, 3, rows.cause), rows.X))
    with pytest.raises(ValueError, match="outside the follow-up"):
        cumulative_incidence(fit, np.array([1.0, 0.0]), np.array([9.0]))
    with pytest.raises(ValueError, match="1 columns, the model has 2"):
        cumulative_incidence(fit, np.array([1.0]), np.array([1.0]))
