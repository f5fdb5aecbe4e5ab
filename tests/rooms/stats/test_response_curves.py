"""Optimum, breadth, mean and overlap of fitted curves, against the same worked out by brute force."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import Estimate, model_uncertainty
from domatia.stats.multinomial import Multinomial, multinomial
from domatia.stats.natural_spline import NaturalSpline, spline_over
from domatia.stats.response_curves import ResponseCurves

GRID = np.linspace(5.0, 65.0, 241)


def known(b: Floats) -> ResponseCurves:
    """Give curves with these coefficients and little doubt."""
    spline = NaturalSpline(np.array([8.0, 20.0, 40.0, 60.0]))
    doubt = model_uncertainty(np.eye(b.size) * 1e-4)
    return ResponseCurves(Multinomial(b, doubt, 0.0, ()), spline, GRID)


CURVES = known(np.array([[0.2, 1.5, -1.0, -2.0], [0.5, -2.0, 0.5, 0.3], [0.0, 3.0, -9.0, 2.0]]))


def moved(curves: ResponseCurves, j: int, by: float) -> ResponseCurves:
    """Give the curves with one coefficient moved."""
    b = curves.fit.coefficients.copy()
    b.ravel()[j] += by
    return replace(curves, fit=replace(curves.fit, coefficients=b))


@pytest.mark.parametrize("kind", range(4))
def test_delta_method_of_each_number(kind: int) -> None:
    """Standard errors of share, mean and breadth follow from moving each coefficient by a little."""
    numbers: dict[str, Callable[[ResponseCurves], Estimate]] = {
        "share": lambda c: c.share(kind, np.array([30.0])),
        "difference": lambda c: c.share_difference(kind, 50.0, 10.0),
        "mean": lambda c: c.mean(kind),
        "breadth": lambda c: c.breadth(kind),
    }
    for name, number in numbers.items():
        steep = np.array([
            (number(moved(CURVES, j, 1e-5)).estimate[0] - number(moved(CURVES, j, -1e-5)).estimate[0]) / 2e-5
            for j in range(12)
        ])  # fmt: skip
        assert number(CURVES).se[0] == pytest.approx(1e-2 * np.sqrt(steep @ steep), rel=1e-3, abs=1e-9), name


def test_breadth_and_mean_of_an_even_kind() -> None:
    """A kind as common everywhere has 80 % of itself in 80 % of the range, and its mean in the middle."""
    even = known(np.zeros((2, 4)))
    assert even.breadth(1).estimate[0] == pytest.approx(0.8 * 60.0, rel=0.01)
    assert even.mean(1).estimate[0] == pytest.approx(35.0)
    assert even.overlap([(0, 1)], "pianka", np.random.default_rng(1)).estimate[0] > 0.99999


def drawn(rng: np.random.Generator, n: int) -> tuple[Floats, Ints, Ints]:
    """Draw occupants of which 0 falls, 1 and 3 have their optimum inside, at 35, and 2 rises to the end."""
    block = np.arange(n) % 24
    x = np.clip(10 + 12 * (block % 4) + 8 * rng.standard_normal(n), 2, 90)
    eta = np.column_stack([1.75 - 0.05 * x, np.full(n, 0.3), 0.05 * x - 1.75, np.zeros(n)])
    p = np.exp(eta) / np.exp(eta).sum(axis=1, keepdims=True)
    return x, (p.cumsum(axis=1) < rng.random(n)[:, None]).sum(axis=1), block


def fitted(seed: int) -> ResponseCurves:
    """Fit curves to 4,000 drawn plants."""
    x, kind, block = drawn(np.random.default_rng(seed), 4_000)
    spline = spline_over(x, 4)
    return ResponseCurves(multinomial(kind, spline.columns(x), block), spline, GRID)


def test_optimum_inside_and_not_reached() -> None:
    """Simulated truth (12 seeds): intervals hold an optimum inside; a kind that rises to the end has not reached it."""
    found = [fitted(seed) for seed in range(12)]
    inside, rising = ([c.optimum(kind) for c in found] for kind in (1, 2))
    assert {o.reached for o in inside} == {"inside"}
    assert sum(o.low <= 35.0 <= o.high for o in inside) >= 10
    assert np.isfinite([o.high - o.low for o in inside]).sum() >= 6
    assert {(o.reached, o.high) for o in rising} == {("high end", np.inf)}


def test_equal_shapes_may_overlap_wholly() -> None:
    """Two kinds of one shape: the upper end of their overlap is 1 but for chance; two of different shapes: below."""
    found = [fitted(seed) for seed in range(12)]
    same = [c.overlap([(1, 3)], "schoener", np.random.default_rng(1)) for c in found]
    assert all(o.low[0] < o.estimate[0] < 1.0 for o in same)
    assert sum(o.high[0] == 1.0 for o in same) >= 10
    for c in found:
        different = c.overlap([(0, 2)], "schoener", np.random.default_rng(1))
        assert different.low[0] < different.estimate[0] < different.high[0] < 1.0
        assert c.same_shape(0, 2) < 0.05
