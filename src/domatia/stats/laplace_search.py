"""Start, search and second derivatives for the Laplace-approximated likelihood."""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Bools, Floats
from domatia.stats.laplace_likelihood import Evaluation, Problem, evaluate
from domatia.stats.quasi_newton import minimise

START_SD = (0.5, 0.3)
# A central difference of the exact gradient; at 1e-4 the inner search's rounding shows.
DIFFERENCE = 1e-3
LONGEST_MOVE = 6.0


@dataclass(frozen=True)
class Found:
    """The end of the search.

    Attributes
    ----------
    evaluation : Evaluation
    converged : bool
    """

    evaluation: Evaluation
    converged: bool


def independent_columns(design: Floats, *, with_constant: bool = False) -> Bools:
    """Tell which columns are not combinations of those before them (nor of a constant, if asked)."""
    n, p = design.shape
    basis = [np.full(n, 1 / np.sqrt(n))] if with_constant else []
    keep = np.zeros(p, dtype=bool)
    for j in range(p):
        column = design[:, j].astype(np.float64)
        size = float(np.linalg.norm(column))
        for _ in range(2):
            for direction in basis:
                column = column - direction * float(direction @ column)
        left = float(np.linalg.norm(column))
        if size > 0 and left > 1e-8 * size:
            keep[j] = True
            basis.append(column / left)
    return keep


def search(problem: Problem, start: Floats | None) -> Found:
    """Maximise the likelihood from `start`, or from a model without random effects."""
    first = _start(problem) if start is None else start
    best: list[Evaluation] = []

    def function(point: Floats) -> tuple[float, Floats] | None:
        try:
            found = evaluate(problem, point, best[0] if best else None)
        except (FloatingPointError, np.linalg.LinAlgError):
            return None
        if not best or found.value < best[0].value:
            best[:] = [found]
        return found.value, found.gradient

    function(first)
    if not best:
        raise ValueError("mixed model: the likelihood cannot be evaluated at its starting point; check the covariates")
    metric = _metric(problem, best[0])
    minimum = minimise(function, first, metric, lambda move: _share(problem, move))
    return Found(best[0], minimum.converged)


def _share(problem: Problem, move: Floats) -> float:
    """Limit a step to `LONGEST_MOVE` on the scale of the linear predictor and a third of that for the others."""
    p = problem.design.shape[1]
    reach = float(np.abs(problem.design @ move[:p]).max()) if p else 0.0
    rest = 3 * float(np.abs(move[p:]).max()) if len(move) > p else 0.0
    longest = max(reach, rest)
    return LONGEST_MOVE / longest if longest > LONGEST_MOVE else 1.0


def _start(problem: Problem) -> Floats:
    """Fit the fixed effects alone by a few damped Newton steps, and add usual standard deviations."""
    X = problem.design
    shape = problem.family.start()
    coefficients = np.zeros(X.shape[1])
    for _ in range(25 if X.shape[1] else 0):
        c = problem.curve(X @ coefficients, shape, full=False)
        information = (X.T * np.maximum(c.second, 1e-8)) @ X
        step = np.linalg.lstsq(information, X.T @ c.first, rcond=None)[0]
        reach = float(np.abs(X @ step).max())
        coefficients = coefficients - step * min(1.0, 2.0 / max(reach, 1e-300))
        if reach < 1e-3:
            break
    spread = np.log(np.array(START_SD)[problem.active])
    return np.concatenate([coefficients, spread, shape])


def _metric(problem: Problem, at: Evaluation) -> Floats:
    """Guess the second derivative: information of the coefficients given the modes, and counts for the rest."""
    g = problem.groups
    X = problem.design
    p = X.shape[1]
    _, s1, s2, shape = problem.split(at.parameters)
    weight = np.maximum(problem.curve(at.predictor, shape, full=False).second, 1e-8)
    columns = g.sum_rows(X * weight[:, None])
    inner = np.column_stack([s1 * g.to_inner(columns[:, j]) for j in range(p)]) if p else np.zeros((len(at.inner), 0))
    outer = np.column_stack([s2 * g.to_outer(columns[:, j]) for j in range(p)]) if p else np.zeros((len(at.outer), 0))
    plain = (X.T * weight) @ X
    shared = inner.T @ at.inner_slope[:, :p] + outer.T @ at.outer_slope[:, :p]
    block = plain + (shared + shared.T) / 2
    block += 1e-3 * np.diag(np.diag(plain) + 1e-8)
    sizes = np.array([len(g.inner_ids), len(g.outer_ids)], dtype=np.float64)[problem.active]
    rest = np.concatenate([sizes, np.full(len(problem.family.shape_names), 0.06 * problem.family.rows() + 1)])
    metric = np.diag(np.concatenate([np.zeros(p), rest]))
    metric[:p, :p] = block
    try:
        np.linalg.cholesky(metric)
    except np.linalg.LinAlgError:
        metric[:p, :p] = plain + 1e-6 * np.diag(np.diag(plain) + 1e-8)
    return metric


def second_derivatives(problem: Problem, found: Found) -> tuple[Floats, Evaluation, Floats]:
    """Differentiate the gradient numerically, take one Newton step with it, and return both.

    Returns
    -------
    hessian : array, shape (P, P)
    evaluation : Evaluation
        At the improved point.
    cells : array, shape (cells, P, P)
        Each cell's part of the hessian.
    """
    at = found.evaluation
    size = len(at.parameters)
    scale = np.ones(size)
    p = problem.design.shape[1]
    if p:
        scale[:p] = np.sqrt(np.mean(problem.design**2, axis=0))
    cells = np.zeros((len(at.parts), size, size))
    for j in range(size):
        step = np.zeros(size)
        step[j] = DIFFERENCE / scale[j]
        up, down = evaluate(problem, at.parameters + step, at), evaluate(problem, at.parameters - step, at)
        cells[:, j] = (up.parts - down.parts) / (2 * step[j])
    hessian = cells.sum(axis=0)
    hessian = (hessian + hessian.T) / 2
    return hessian, _polish(problem, at, hessian), cells


def _polish(problem: Problem, at: Evaluation, hessian: Floats) -> Evaluation:
    """Take one Newton step if it improves the likelihood or the gradient."""
    try:
        np.linalg.cholesky(hessian)
        move = np.linalg.solve(hessian, at.gradient).astype(np.float64)
        if not np.isfinite(move).all() or _share(problem, move) < 1:
            return at
        better = evaluate(problem, at.parameters - move, at)
    except (FloatingPointError, np.linalg.LinAlgError):
        return at
    return better if better.value <= at.value + 1e-9 * (1 + abs(at.value)) else at
