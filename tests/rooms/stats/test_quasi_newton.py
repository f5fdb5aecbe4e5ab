"""The minimiser: a curved valley, forbidden regions, no start."""

import numpy as np
import pytest

from domatia.stats.arrays import Floats
from domatia.stats.quasi_newton import minimise


def valley(x: Floats) -> tuple[float, Floats]:
    """Return Rosenbrock's valley (1960, Computer J. 3:175-184) and its gradient; the minimum lies at (1, 1)."""
    a, b = 1 - x[0], x[1] - x[0] ** 2
    return float(a * a + 100 * b * b), np.array([-2 * a - 400 * x[0] * b, 200 * b])


def whole(move: Floats) -> float:
    """Allow every step."""
    return 1.0


def test_the_valley_is_followed_to_its_end() -> None:
    """From the usual start (-1.2, 1) the minimum is reached."""
    found = minimise(valley, np.array([-1.2, 1.0]), np.eye(2) * 100, whole, tolerance=1e-7)
    assert found.converged
    np.testing.assert_allclose(found.point, [1, 1], atol=1e-5)


def test_a_good_metric_needs_one_step() -> None:
    """With the true second derivative a quadratic function is minimised at once."""
    A = np.array([[4.0, 1.0], [1.0, 9.0]])
    found = minimise(lambda x: (float(x @ A @ x) / 2, A @ x), np.array([3.0, -2.0]), A, whole)
    assert found.steps == 1
    np.testing.assert_allclose(found.point, 0, atol=1e-12)


def test_places_without_a_value_are_avoided() -> None:
    """Where the function cannot be evaluated the step is shortened."""

    def barrier(x: Floats) -> tuple[float, Floats] | None:
        return None if x[0] <= 0 else (float(x[0] - np.log(x[0])), np.array([1 - 1 / x[0]]))

    found = minimise(barrier, np.array([8.0]), np.eye(1) * 0.01, whole, tolerance=1e-8)
    assert found.point[0] == pytest.approx(1, abs=1e-5)
    with pytest.raises(ValueError, match="starting point"):
        minimise(barrier, np.array([-1.0]), np.eye(1), whole)


def test_a_search_that_is_cut_short_says_so() -> None:
    """Too few steps end without convergence."""
    found = minimise(valley, np.array([-1.2, 1.0]), np.eye(2), whole, steps=2)
    assert not found.converged
    assert found.steps == 2
