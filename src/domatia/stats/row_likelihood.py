"""Maximum likelihood where each row gives its own value, score and information.

A small model (a duel, a fight, a pair) says what one row contributes; this file climbs to the maximum, holds
coefficients that run off to infinity (`domatia.stats.separation`) and keeps the rows' scores for the sandwich.
"""

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import sum_by
from domatia.stats.separation import climb, log_f_prior, runaway

Parts = tuple[Floats, Floats, Floats]
_MOST_HELD = 3


class RowLikelihood(ABC):
    """A model as a sum over rows; `prior_on` names the coefficients held by a weak prior."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.prior_on: list[int] = []
        self._at: tuple[bytes, Parts] | None = None

    @abstractmethod
    def rows(self, theta: Floats) -> Parts:
        """Give each row's log-likelihood (n,), score (n, p) and information (n, p, p)."""

    @abstractmethod
    def spread(self) -> Floats:
        """Give the range of what each parameter multiplies."""

    def begin(self) -> Floats:
        """Start from nought."""
        return np.zeros(self.size)

    def parts(self, theta: Floats) -> Parts:
        """Give `rows`, kept for the latest parameters."""
        key = theta.tobytes()
        if self._at is None or self._at[0] != key:
            self._at = key, self.rows(theta)
        return self._at[1]

    def value(self, theta: Floats) -> float:
        """Give the log-likelihood, with prior."""
        return float(self.parts(theta)[0].sum()) + log_f_prior(theta[self.prior_on])[0]

    def derivatives(self, theta: Floats) -> tuple[Floats, Floats]:
        """Give the gradient and the information, with prior."""
        _, scores, information = self.parts(theta)
        slope, curve = scores.sum(axis=0), information.sum(axis=0)
        _, more, bend = log_f_prior(theta[self.prior_on])
        slope[self.prior_on] += more
        curve[self.prior_on, self.prior_on] += bend
        return slope, curve

    def group_scores(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        """Give the score of each group, without prior."""
        return sum_by(self.parts(theta)[1], codes, groups)

    def group_information(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        """Give each group's share of the information, without prior."""
        found = np.zeros((groups, self.size, self.size))
        np.add.at(found, codes, self.parts(theta)[2])
        return found


@dataclass(frozen=True, eq=False)
class RowFit:
    """Where the climb ended.

    Attributes
    ----------
    theta : array (p,)
    covariance : array (p, p)
        Inverse information.
    scores : array (n, p)
    information : array (n, p, p)
        Each row's share.
    log_likelihood : float
        Without prior.
    held : tuple of int
        Coefficients that would run off to infinity and are held by a log-F(1,1) prior.
    """

    theta: Floats
    covariance: Floats
    scores: Floats
    information: Floats
    log_likelihood: float
    held: tuple[int, ...]


def fit_rows(model: RowLikelihood) -> RowFit:
    """Climb to the maximum; coefficients without one are held, one after the other."""
    summit = climb(model)
    for _ in range(_MOST_HELD):
        loose = [j for j in runaway(model, summit) if j not in model.prior_on]
        if not loose:
            break
        model.prior_on = sorted([*model.prior_on, *loose])
        summit = climb(model)
    values, scores, information = model.parts(summit.theta)
    covariance = np.asarray(np.linalg.pinv(summit.information, hermitian=True), dtype=np.float64)
    return RowFit(summit.theta, covariance, scores, information, float(values.sum()), tuple(model.prior_on))


def ranked(X: Floats) -> bool:
    """Tell whether no column is a combination of the others."""
    if X.shape[1] == 0:
        return False
    scale = np.maximum(np.abs(X).max(axis=0, initial=0.0), 1e-300)
    return bool(np.linalg.matrix_rank(X / scale, tol=1e-8 * max(X.shape)) == X.shape[1])
