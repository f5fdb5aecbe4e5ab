"""Chances of several unordered outcomes: the multinomial logit, with rows of one cluster alike.

Outcome k = 0..K-1 of a row with columns x has the chance exp(x'b_k) / sum_j exp(x'b_j), b_0 = 0: b_k is the log odds of
outcome k against outcome 0. The coefficients are those of highest likelihood as if rows were independent; the
covariance is a sandwich over clusters (`domatia.stats.clustering`): the curves are averages over clusters, and their
errors allow for clusters that differ. A coefficient without a bound (an outcome that never happens on one side) is held
by a weak prior (`domatia.stats.separation`).

Sources: Agresti 2002, Categorical Data Analysis, 2nd ed., section 7.1; Liang & Zeger 1986, Biometrika 73:13 (sandwich).
Not covered: a random effect of the cluster, whose coefficients would be those of one cluster and not of them all;
outcomes of which a row's choice set holds only some.
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import Estimate, Kind, Uncertainty
from domatia.stats.row_order import canonical_order
from domatia.stats.separation import climb, clustered_fit, log_f_prior, members, runaway

_ROUNDS = 4


@dataclass(frozen=True, eq=False)
class Multinomial:
    """A fitted model.

    Attributes
    ----------
    coefficients : array (outcomes - 1, columns)
        Of outcomes 1.. against outcome 0.
    uncertainty : Uncertainty
        Of the coefficients, outcome by outcome.
    log_likelihood : float
    held : tuple of (int, int)
        Outcome and column of coefficients that have no bound and are held by a weak prior.
    """

    coefficients: Floats
    uncertainty: Uncertainty
    log_likelihood: float
    held: tuple[tuple[int, int], ...]

    @property
    def estimates(self) -> Estimate:
        """The coefficients with intervals, each array of their shape."""
        one = self.uncertainty.linear(self.coefficients.ravel(), np.eye(self.coefficients.size))
        shape = self.coefficients.shape
        return Estimate(*(v.reshape(shape) for v in (one.estimate, one.se, one.low, one.high)))

    def chances(self, X: Floats) -> Floats:
        """Give the chance of each outcome for any rows, shape (rows, outcomes)."""
        return _chances(np.asarray(X, dtype=np.float64), self.coefficients)

    def log_gradient(self, X: Floats, outcome: int) -> Floats:
        """Give the gradient of the log chance of one outcome, shape (rows, coefficients)."""
        own = np.zeros(self.coefficients.shape[0] + 1)
        own[outcome] = 1.0
        pull = own - self.chances(X)
        return np.asarray((pull[:, 1:, None] * X[:, None, :]).reshape(len(X), -1), dtype=np.float64)


def multinomial(
    outcome: Ints,
    X: Floats,
    cluster: Ints | None = None,
    *,
    outcomes: int | None = None,
    kind: Kind = "jackknife",
    level: float = 0.95,
) -> Multinomial:
    """Fit the model.

    Parameters
    ----------
    outcome : array (rows,)
        0..outcomes-1.
    X : array (rows, columns)
        With a column of ones where there is an intercept.
    cluster : array (rows,), optional
        Without it rows are taken as independent.
    outcomes : int, optional
        Their number, if not all of them happened.
    kind, level
        As for `domatia.stats.clustering.clustered_uncertainty`.

    Raises
    ------
    ValueError
        If an outcome is not a number of that kind, fewer than two happened, or a column repeats others.
    """
    count = int(outcome.max(initial=0)) + 1 if outcomes is None else outcomes
    X = np.asarray(X, dtype=np.float64)
    _check(outcome, X, count)
    order = canonical_order(outcome, X, np.zeros(len(outcome)) if cluster is None else cluster)
    codes = None if cluster is None else np.asarray(cluster)[order]
    model = _Logit(np.asarray(outcome)[order].astype(np.int64), X[order], count)
    summit = climb(model)
    for _ in range(_ROUNDS):
        loose = [j for j in runaway(model, summit) if j not in model.prior_on]
        if not loose:
            break
        model.prior_on = sorted([*model.prior_on, *loose])
        summit = climb(model)
    doubt = clustered_fit(model, summit, codes, kind, level)
    columns = X.shape[1]
    held = tuple((j // columns + 1, j % columns) for j in model.prior_on)
    free = model.likelihood(summit.theta)
    return Multinomial(summit.theta.reshape(-1, columns), doubt, free, held)


def _check(outcome: Ints, X: Floats, count: int) -> None:
    if X.ndim != 2 or len(outcome) != len(X):
        raise ValueError(f"{len(outcome)} outcomes and columns of shape {X.shape} do not fit together")
    if not np.isfinite(X).all():
        raise ValueError("a column holds a value that is not a number; leave such rows out and say so")
    if (outcome < 0).any() or (outcome >= count).any() or len(np.unique(outcome)) < 2:
        raise ValueError(f"outcomes are 0 to {count - 1}, and at least two of them must have happened")
    scale = np.maximum(np.abs(X).max(axis=0), 1e-300)
    if np.linalg.matrix_rank(X / scale, tol=1e-10 * max(X.shape)) < X.shape[1]:
        raise ValueError("a column is a combination of the others; leave it out")


def _chances(X: Floats, b: Floats) -> Floats:
    eta = np.column_stack([np.zeros(len(X)), X @ b.T])
    weight = np.exp(eta - eta.max(axis=1, keepdims=True))
    return np.asarray(weight / weight.sum(axis=1, keepdims=True), dtype=np.float64)


class _Logit:
    """The likelihood, as `domatia.stats.separation.climb` asks for it."""

    def __init__(self, outcome: Ints, X: Floats, count: int) -> None:
        self.outcome, self.X, self.count = outcome, X, count
        self.seen = np.eye(count)[outcome]
        self.prior_on: list[int] = []

    def begin(self) -> Floats:
        """Start from nought."""
        return np.zeros((self.count - 1) * self.X.shape[1])

    def spread(self) -> Floats:
        """Give the range of each column, one for a constant."""
        width = np.ptp(self.X, axis=0)
        return np.tile(np.where(width > 0.0, width, 1.0), self.count - 1)

    def _split(self, theta: Floats) -> Floats:
        return _chances(self.X, theta.reshape(self.count - 1, -1))

    def likelihood(self, theta: Floats) -> float:
        """Give the log-likelihood without prior."""
        eta = np.column_stack([np.zeros(len(self.X)), self.X @ theta.reshape(self.count - 1, -1).T])
        top = eta.max(axis=1)
        whole = top + np.log(np.exp(eta - top[:, None]).sum(axis=1))
        return float((eta[np.arange(len(eta)), self.outcome] - whole).sum())

    def value(self, theta: Floats) -> float:
        """Give the log-likelihood, with prior."""
        return self.likelihood(theta) + log_f_prior(theta[self.prior_on])[0]

    def derivatives(self, theta: Floats) -> tuple[Floats, Floats]:
        """Give gradient and information, with prior."""
        chance = self._split(theta)
        gradient = ((self.seen - chance)[:, 1:].T @ self.X).ravel()
        information = _information(chance[:, 1:], self.X)
        _, more, bend = log_f_prior(theta[self.prior_on])
        gradient[self.prior_on] += more
        information[self.prior_on, self.prior_on] += bend
        return gradient, information

    def group_scores(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        """Give the score of each group, without prior."""
        left = (self.seen - self._split(theta))[:, 1:]
        parts = members(codes, groups)
        return np.stack([(left[rows].T @ self.X[rows]).ravel() for rows in parts])

    def group_information(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        """Give each group's share of the information, without prior."""
        chance = self._split(theta)[:, 1:]
        return np.stack([_information(chance[rows], self.X[rows]) for rows in members(codes, groups)])


def _information(chance: Floats, X: Floats) -> Floats:
    """Sum (diag(p) - p p') with x x' over rows, outcome by outcome."""
    kinds, columns = chance.shape[1], X.shape[1]
    found = np.zeros((kinds, columns, kinds, columns))
    for a in range(kinds):
        for b in range(a, kinds):
            weight = chance[:, a] * ((1.0 if a == b else 0.0) - chance[:, b])
            found[a, :, b, :] = (X * weight[:, None]).T @ X
            found[b, :, a, :] = found[a, :, b, :].T
    return found.reshape(kinds * columns, -1)
