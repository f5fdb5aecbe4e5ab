"""Minimise a smooth function with its gradient: BFGS from a good metric, with backtracking.

Nocedal & Wright 2006, Numerical Optimization, 2nd ed., chapter 6. The caller gives a guess of the second derivative;
in its coordinates the first step is already about the right length. Points where the function cannot be evaluated
count as bad.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats


@dataclass(frozen=True)
class Minimum:
    """Where the search ended.

    Attributes
    ----------
    point : array
    converged : bool
    steps : int
    slope : float
        Largest entry of the gradient in the coordinates of the metric, as a rule in standard errors.
    """

    point: Floats
    converged: bool
    steps: int
    slope: float


def minimise(
    function: Callable[[Floats], tuple[float, Floats] | None],
    start: Floats,
    metric: Floats,
    limit: Callable[[Floats], float],
    *,
    tolerance: float = 2e-4,
    steps: int = 200,
) -> Minimum:
    """Search for the minimum.

    Parameters
    ----------
    function : callable
        Gives value and gradient, or None where there is none.
    start : array, shape (P,)
    metric : array, shape (P, P)
        Guess of the second derivative, positive definite.
    limit : callable
        Largest share of a proposed move that may be taken in one step.
    tolerance : float
        Largest gradient, in the metric's coordinates, that counts as nought.

    Raises
    ------
    ValueError
        If the function cannot be evaluated at the start.
    """
    root = np.linalg.inv(np.linalg.cholesky(metric)).T
    found = function(start)
    if found is None:
        raise ValueError("the function cannot be evaluated at its starting point")
    point, value, gradient = start, found[0], root.T @ found[1]
    inverse = np.eye(len(start))
    for step in range(steps):
        size = float(np.abs(gradient).max())
        if size < tolerance:
            return Minimum(point, True, step, size)
        direction = -inverse @ gradient
        if direction @ gradient > -1e-12 * float(gradient @ gradient):
            inverse, direction = np.eye(len(start)), -gradient
        new = _walk(function, point, value, root @ direction, (float(direction @ gradient), limit(root @ direction)))
        if new is None:
            return Minimum(point, size < 30 * tolerance, step, size)
        length, value, raw = new
        point = point + length * (root @ direction)
        after = root.T @ raw
        inverse = _update(inverse, length * direction, after - gradient, first=step == 0)
        gradient = after
    return Minimum(point, False, steps, float(np.abs(gradient).max()))


def _walk(
    function: Callable[[Floats], tuple[float, Floats] | None],
    point: Floats,
    value: float,
    move: Floats,
    bounds: tuple[float, float],
) -> tuple[float, float, Floats] | None:
    """Shorten the move until the value falls enough; return length, value and gradient."""
    slope, longest = bounds
    length = min(1.0, longest)
    slack = 1e-13 * (1 + abs(value))
    for _ in range(30):
        found = function(point + length * move)
        if found is not None and found[0] <= value + 1e-4 * length * slope + slack:
            return length, found[0], found[1]
        if found is None:
            length *= 0.25
        else:
            rise = found[0] - value - length * slope
            length *= float(np.clip(-slope * length / (2 * rise), 0.1, 0.6)) if rise > 0 else 0.5
    return None


def _update(inverse: Floats, move: Floats, change: Floats, *, first: bool) -> Floats:
    """Update the inverse second derivative by the BFGS formula, if the curvature along the move is positive."""
    curvature = float(move @ change)
    if curvature <= 1e-10 * float(np.linalg.norm(move) * np.linalg.norm(change)):
        return inverse
    if first:
        inverse = inverse * (curvature / float(change @ change))
    left = np.eye(len(move)) - np.outer(move, change) / curvature
    result: Floats = left @ inverse @ left.T + np.outer(move, move) / curvature
    return result
