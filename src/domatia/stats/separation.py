"""Climbing to the maximum of a log-likelihood, also where a coefficient runs off to infinity.

Newton steps (or scoring steps: any positive curvature will do) with halving, so that the value never falls.
Where a group has no events the likelihood rises for ever as its coefficient falls; `runaway` finds such
parameters, and `log_f_prior` holds them: the log-F(1,1) prior of Greenland & Mansournia 2015, Stat. Med.
34:3133, which weighs as much as one observation split evenly between event and none.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import (
    Kind,
    Uncertainty,
    cluster_codes,
    clustered_uncertainty,
    model_uncertainty,
)

_MOST_STEPS = 200
_TOLERANCE = 1e-12


class LogLikelihood(Protocol):
    """What `climb` and `clustered_fit` ask of a model."""

    prior_on: list[int]

    def begin(self) -> Floats:
        """Give starting parameters."""

    def spread(self) -> Floats:
        """Give the range of what each parameter multiplies, so that steps can be compared."""

    def value(self, theta: Floats) -> float:
        """Give the log-likelihood, with prior."""

    def derivatives(self, theta: Floats) -> tuple[Floats, Floats]:
        """Give its gradient and (observed or expected) information, with prior."""

    def group_scores(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        """Give the score of each group, (groups, parameters), without prior."""

    def group_information(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        """Give each group's share of the expected information, (groups, parameters, parameters)."""


@dataclass(frozen=True, eq=False)
class Summit:
    """Where the climb ended.

    Attributes
    ----------
    theta : array (parameters,)
    value : float
        Log-likelihood there, with prior.
    information : array (parameters, parameters)
    move : array (parameters,)
        The step that would come next; large entries are parameters that run off.
    steps : int
    """

    theta: Floats
    value: float
    information: Floats
    move: Floats
    steps: int


def climb(likelihood: LogLikelihood) -> Summit:
    """Find the maximum by Newton's steps, halved until the value does not fall."""
    theta, steps = likelihood.begin(), 0
    spread = likelihood.spread()
    now = likelihood.value(theta)
    gradient, information = likelihood.derivatives(theta)
    move = _uphill(information, gradient)
    while steps < _MOST_STEPS:
        steps += 1
        before = now
        theta, now = _step(likelihood, theta, before, move * min(1.0, 4.0 / _size(move, spread)))
        gradient, information = likelihood.derivatives(theta)
        move = _uphill(information, gradient)
        if abs(now - before) <= _TOLERANCE * (abs(now) + 1.0) and float(gradient @ move) < 1e-10:
            break
    return Summit(theta, now, information, move, steps)


def runaway(likelihood: LogLikelihood, summit: Summit) -> list[int]:
    """Find parameters that still move by a part of a unit although the likelihood has stopped rising."""
    return [int(j) for j in np.flatnonzero(np.abs(summit.move) * likelihood.spread() > 1e-2)]


def log_f_prior(values: Floats) -> tuple[float, Floats, Floats]:
    """Give the log of the prior of `values` (summed), its slope and its negative curvature for each."""
    chance = 1.0 / (1.0 + np.exp(-values))
    return float((values / 2.0 - np.logaddexp(0.0, values)).sum()), 0.5 - chance, chance * (1.0 - chance)


def clustered_fit(
    likelihood: LogLikelihood, summit: Summit, cluster: Ints | None, kind: Kind, level: float
) -> Uncertainty:
    """Give the covariance at the summit, by group if there are groups; parameters held by a prior keep the model's."""
    covariance = np.asarray(np.linalg.pinv(summit.information, hermitian=True), dtype=np.float64)
    if cluster is None or kind == "model":
        return model_uncertainty(covariance, level)
    codes, groups = cluster_codes(cluster)
    shares = None
    if kind in ("CR2", "jackknife"):
        shares = likelihood.group_information(summit.theta, codes, groups)
    scores = likelihood.group_scores(summit.theta, codes, groups)
    found = clustered_uncertainty(covariance, scores, kind=kind, level=level, information=shares)
    return found.at_least_model(likelihood.prior_on)


def members(codes: Ints, groups: int) -> Sequence[Ints]:
    """Give the row numbers of each group."""
    order = np.argsort(codes, kind="stable")
    return np.split(order, np.searchsorted(codes[order], np.arange(1, groups)))


def _step(likelihood: LogLikelihood, theta: Floats, before: float, move: Floats) -> tuple[Floats, float]:
    for _ in range(40):
        trial = theta + move
        with np.errstate(over="ignore", invalid="ignore"):
            now = likelihood.value(trial)
        if np.isfinite(now) and now >= before - 1e-13 * abs(before):
            return trial, now
        move = move / 2.0
    return theta, before


def _size(move: Floats, spread: Floats) -> float:
    return max(float(np.abs(move * spread).max(initial=0.0)), 1e-300)


def _uphill(information: Floats, gradient: Floats) -> Floats:
    """Newton's direction; directions of no or wrong curvature are taken as if curved the other way."""
    scale = np.sqrt(np.maximum(np.abs(np.diag(information)), 1e-300))
    values, vectors = np.linalg.eigh(information / np.outer(scale, scale))
    bent = np.maximum(np.abs(values), 1e-14)
    return np.asarray(vectors @ ((vectors.T @ (gradient / scale)) / bent) / scale, dtype=np.float64)
