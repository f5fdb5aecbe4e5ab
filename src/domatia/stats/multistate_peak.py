"""Climbing the log-likelihood of a multi-state model by scoring with step halving."""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats
from domatia.stats.multistate_likelihood import Likelihood

LONGEST_STEP = 2.0
HALVINGS = 8
ENOUGH = 1e-4
SLOW = 0.2
CLOSE = 1.0
FEW = 30
LONGEST_SEARCH = 100


@dataclass(frozen=True, eq=False)
class Peak:
    """Where a search ended: inner coefficients, value, gradient, the last information, and how it went."""

    theta: Floats
    value: float
    gradient: Floats
    information: Floats
    iterations: int
    converged: bool


def maximise(likelihood: Likelihood, theta: Floats, *, frozen: bool = False, tolerance: float = 1e-10) -> Peak:
    """Maximise by scoring.

    Parameters
    ----------
    frozen
        Keep the information while the gains shrink quickly, and find it anew only when they do not (chord steps; for
        likelihoods whose information is dear).
    tolerance
        Stop when the gain in log-likelihood still promised falls below half of it.

    Notes
    -----
    Where plain scoring is slow near the peak, the observed information takes over.
    """
    scoring = likelihood.scoring(theta)
    value, gradient, info = scoring.value, scoring.gradient, scoring.information
    previous, damping, curved, hold, slow = np.inf, 0.0, False, frozen, 0
    for iteration in range(1, LONGEST_SEARCH + 1):
        gain = float(gradient @ damped_step(info, gradient, damping))
        if gain < tolerance:
            return Peak(theta, value, gradient, info, iteration, True)
        if gain > SLOW * previous:
            slow += 1
            if gain < CLOSE and not curved and slow > len(theta) / FEW:
                info, curved, hold = _curvature(likelihood, theta, info), True, True
            elif hold:
                info, hold = likelihood.scoring(theta).information, frozen
        step = damped_step(info, gradient, damping)
        tried = _search(likelihood, theta, (value, step, float(gradient @ step)), info if hold else None)
        if tried is None:
            damping, hold = max(10.0 * damping, 1e-3), frozen
            if damping > 1e6:
                break
            continue
        previous, damping = gain, damping / 10.0 if damping > 1e-4 else 0.0
        theta, value, gradient, info = tried
    return Peak(theta, value, gradient, info, iteration, False)


def _curvature(likelihood: Likelihood, theta: Floats, info: Floats) -> Floats:
    """Observed information, or the one at hand where that is not positive."""
    curvature = observed_information(likelihood, theta)
    return curvature if np.linalg.eigvalsh(curvature).min() > 0 else info


def _evaluate(likelihood: Likelihood, theta: Floats, information: Floats | None) -> tuple[float, Floats, Floats]:
    """Value, gradient and information; the last anew unless one is given."""
    if information is None:
        scoring = likelihood.scoring(theta)
        return scoring.value, scoring.gradient, scoring.information
    value, gradient = likelihood.gradient(theta)
    return value, gradient, information


def _search(
    likelihood: Likelihood, theta: Floats, at: tuple[float, Floats, float], information: Floats | None
) -> tuple[Floats, float, Floats, Floats] | None:
    """Take the step, halved until the log-likelihood rises enough; None if no part of it will do."""
    value, step, gain = at
    slack = 1e-12 + 1e-13 * abs(value)
    for halving in range(HALVINGS):
        share = 0.5**halving
        moved, least = theta + step * share, value + ENOUGH * share * gain - slack
        if halving and not likelihood.value(moved) >= least:
            continue
        try:
            reached, gradient, info = _evaluate(likelihood, moved, information)
        except OverflowError:
            continue
        if np.isfinite(reached) and reached >= least and np.isfinite(gradient).all():
            return moved, reached, gradient, info
    return None


def damped_step(information: Floats, gradient: Floats, damping: float) -> Floats:
    """Solve for the step in the directions the information knows, no component longer than two.

    An information smaller than the slope itself is raised to it: an intensity on its way to zero has slope and
    information of one size, and steps of about one on the log scale.
    """
    information = information + np.diag(np.maximum(np.abs(gradient) - np.diag(information), 0.0))
    size = np.sqrt(np.maximum(np.diag(information), 0.0))
    known = size > 1e-150
    step = np.zeros_like(gradient)
    if not known.any():
        return step
    width = size[known]
    scaled = information[np.ix_(known, known)] / np.outer(width, width)
    values, vectors = np.linalg.eigh(scaled)
    use = values > 1e-11
    turned = (vectors.T @ (gradient[known] / width))[use] / (values[use] + damping)
    step[known] = (vectors[:, use] @ turned) / width
    longest = float(np.abs(step).max())
    result: Floats = step * min(1.0, LONGEST_STEP / longest) if longest > 0 else step
    return result


def observed_information(likelihood: Likelihood, theta: Floats, width: float = 1e-4) -> Floats:
    """Minus the second derivatives of the log-likelihood, by central differences of its exact gradient."""
    curvature = np.empty((len(theta), len(theta)))
    for number in range(len(theta)):
        shift = np.zeros(len(theta))
        shift[number] = width
        ahead, behind = likelihood.gradient(theta + shift)[1], likelihood.gradient(theta - shift)[1]
        curvature[number] = (behind - ahead) / (2.0 * width)
    result: Floats = 0.5 * (curvature + curvature.T)
    return result
