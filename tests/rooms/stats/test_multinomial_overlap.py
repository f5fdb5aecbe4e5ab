"""Multinomial logits, natural splines and null models of overlap: what they must do whatever the data."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domatia.stats.arrays import Floats, Ints
from domatia.stats.multinomial import multinomial
from domatia.stats.natural_spline import NaturalSpline, spline_over
from domatia.stats.overlap import corrected, overlaps, permuted_within_blocks


def drawn(rng: np.random.Generator, n: int, spread: float) -> tuple[Ints, Floats, Ints]:
    """Draw outcomes of a known model whose blocks differ by `spread`."""
    block = np.arange(n) % 24
    x = rng.uniform(0, 1, n) + 0.3 * (block % 2)
    eta = np.column_stack([np.zeros(n), 0.5 - x, -0.5 + 1.5 * x])
    eta[:, 1:] += spread * rng.standard_normal((24, 2))[block]
    p = np.exp(eta) / np.exp(eta).sum(axis=1, keepdims=True)
    return (p.cumsum(axis=1) < rng.random(n)[:, None]).sum(axis=1), np.column_stack([np.ones(n), x]), block


def test_known_coefficients_come_back() -> None:
    """Simulated truth (seeded): slopes -1 and 1.5 within their errors of 20,000 plants."""
    outcome, X, _ = drawn(np.random.default_rng(5), 20_000, 0.0)
    fit = multinomial(outcome, X)
    assert np.abs(fit.coefficients - [[0.5, -1.0], [-0.5, 1.5]]).max() < 3 * fit.estimates.se.max()
    assert fit.estimates.se.max() < 0.07


def test_blocks_that_differ_widen_the_errors() -> None:
    """With blocks that differ the sandwich is wider than the model says, for what differs between blocks."""
    outcome, X, block = drawn(np.random.default_rng(6), 4_800, 0.8)
    clustered = multinomial(outcome, X, block)
    alone = multinomial(outcome, X)
    assert (clustered.estimates.se[:, 0] > 1.5 * alone.estimates.se[:, 0]).all()


def test_order_of_rows_does_not_matter() -> None:
    """Shuffled rows give the same numbers to the last bit."""
    rng = np.random.default_rng(7)
    outcome, X, block = drawn(rng, 600, 0.5)
    order = rng.permutation(600)
    one, two = multinomial(outcome, X, block), multinomial(outcome[order], X[order], block[order])
    np.testing.assert_array_equal(one.coefficients, two.coefficients)
    np.testing.assert_array_equal(one.uncertainty.covariance, two.uncertainty.covariance)


def test_an_outcome_on_one_side_only_is_held() -> None:
    """A kind found only above a value has no finite coefficients: they are held, and finite."""
    x = np.linspace(0, 1, 200)
    outcome = np.where(x > 0.7, 1, 0)
    fit = multinomial(outcome, np.column_stack([np.ones(200), x]), np.arange(200) % 10)
    assert fit.held
    assert np.isfinite(fit.estimates.high).all()
    assert fit.chances(np.array([[1.0, 0.0], [1.0, 1.0]]))[:, 1] == pytest.approx([0, 1], abs=0.1)


def test_gradient_of_log_chances() -> None:
    """The gradient is what small changes of each coefficient do."""
    outcome, X, _ = drawn(np.random.default_rng(8), 300, 0.0)
    fit = multinomial(outcome, X)
    at = np.array([[1.0, 0.2], [1.0, 0.9]])
    for k in range(3):
        found = fit.log_gradient(at, k)
        for j in range(4):
            moved = [type(fit)((fit.coefficients.ravel() + s * 1e-6 * (np.arange(4) == j)).reshape(2, 2),
                               fit.uncertainty, 0.0, ()) for s in (1, -1)]  # fmt: skip
            slope = (np.log(moved[0].chances(at)[:, k]) - np.log(moved[1].chances(at)[:, k])) / 2e-6
            np.testing.assert_allclose(found[:, j], slope, atol=1e-8)


def test_what_cannot_be_fitted_is_refused() -> None:
    """One outcome alone, a repeated column, a missing value."""
    X = np.column_stack([np.ones(6), np.arange(6.0)])
    with pytest.raises(ValueError, match="at least two"):
        multinomial(np.zeros(6, np.int64), X)
    with pytest.raises(ValueError, match="combination"):
        multinomial(np.array([0, 1] * 3), np.column_stack([X, X[:, 1]]))
    with pytest.raises(ValueError, match="not a number"):
        multinomial(np.array([0, 1] * 3), np.where(X == 3, np.nan, X))


@given(st.lists(st.floats(0, 100), min_size=1, max_size=20))
@settings(max_examples=50, deadline=None)
def test_spline_is_straight_outside_and_its_slopes_are_right(x: list[float]) -> None:
    """Slopes are derivatives; beyond the outer knots second differences vanish."""
    spline = NaturalSpline(np.array([10.0, 30.0, 45.0, 70.0]))
    at = np.array(x)
    step = 1e-4
    change = (spline.columns(at + step) - spline.columns(at - step)) / (2 * step)
    np.testing.assert_allclose(spline.slopes(at), change, atol=1e-6)
    for outside in (np.array([0.0, 4.0, 8.0]), np.array([72.0, 80.0, 88.0])):
        low, middle, high = spline.columns(outside)
        np.testing.assert_allclose(low + high, 2 * middle, atol=1e-10)


def test_spline_with_few_values() -> None:
    """Values that hold fewer knots apart give a simpler curve; one value gives none."""
    assert len(spline_over(np.array([1.0, 2.0] * 20), 4).knots) == 2
    assert len(spline_over(np.arange(50.0), 4).knots) == 4
    with pytest.raises(ValueError, match="no curve"):
        spline_over(np.ones(5), 3)


@given(st.lists(st.lists(st.integers(0, 20), min_size=4, max_size=4), min_size=2, max_size=5))
@settings(max_examples=60, deadline=None)
def test_overlaps_lie_between_nought_and_one(rows: list[list[int]]) -> None:
    """All indices are symmetric, 1 with itself, in [0, 1]; Morisita-Horn never exceeds Pianka."""
    counts = np.array(rows, dtype=np.float64) + 0.5
    shares = corrected(counts, np.array([10.0, 40.0, 20.0, 5.0]))
    found = {i: overlaps(shares, i) for i in ("schoener", "pianka", "morisita_horn")}
    for t in found.values():
        np.testing.assert_allclose(t, t.T, atol=1e-12)
        np.testing.assert_allclose(np.diag(t), 1.0)
        assert -1e-12 <= t.min() <= t.max() <= 1 + 1e-12
    assert (found["morisita_horn"] <= found["pianka"] + 1e-12).all()


def test_correction_by_what_is_available() -> None:
    """Two kinds that take the same share of every class overlap wholly, however many places each class holds."""
    available = np.array([100.0, 10.0, 1000.0])
    shares = corrected(np.array([[10.0, 1.0, 100.0], [50.0, 5.0, 500.0]]), available)
    np.testing.assert_allclose(shares, 1 / 3)
    with pytest.raises(ValueError, match="without places"):
        corrected(np.ones((2, 2)), np.array([1.0, 0.0]))


def test_permuting_within_blocks_against_all_arrangements() -> None:
    """Two blocks of four places: the share of all arrangements counted by hand."""
    kind = np.array([0, 0, 1, 1, 0, 1, 1, 1])
    class_ = np.array([0, 0, 1, 1, 0, 1, 1, 1])
    block = np.array([0, 0, 0, 0, 1, 1, 1, 1])
    found = permuted_within_blocks(kind, (class_, block), np.array([0, 1]), np.random.default_rng(1))
    assert (found.complete, found.arrangements) == (True, 24)
    as_low = 0
    for first in itertools.combinations(range(4), 2):
        for second in range(4):
            held = np.ones(8, np.int64)
            held[list(first)] = held[4 + second] = 0
            counts = np.array([[np.sum((held == k) & (class_ == c)) for c in (0, 1)] for k in (0, 1)], dtype=np.float64)
            as_low += overlaps(corrected(counts, np.array([3.0, 5.0])), "pianka")[0, 1] <= found.observed[0] + 1e-9
    assert found.p_less[0] == pytest.approx(as_low / 24)
    assert as_low == 1
