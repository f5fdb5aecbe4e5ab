"""Ordered classes compared between groups without random effects: the cumulative logit, clustered.

    P(class <= k) = 1 / (1 + exp(-(threshold_k - x'b)))

so exp(b) multiplies the odds of a higher class, whichever class is taken (McCullagh 1980, J. R. Stat. Soc. B
42:109-142). Without random effects b is the effect averaged over all individuals, and rows that belong together are
allowed for in the standard errors alone (Liang & Zeger 1986, Biometrika 73:13). Classes carry order only. Where odds
are not proportional, b is an average over the thresholds. For effects within a plant see `domatia.stats.ordered`.
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import Estimate, Kind, Uncertainty, sum_by
from domatia.stats.families import logistic
from domatia.stats.interval_hazard import aliased_columns
from domatia.stats.row_order import canonical_order
from domatia.stats.separation import climb, clustered_fit, members, runaway


@dataclass(frozen=True, eq=False)
class CumulativeLogit:
    """A fitted model.

    Attributes
    ----------
    coefficients : Estimate, arrays (covariates,)
        Log odds ratios of a higher class.
    thresholds : array (classes - 1,)
    levels : array of int (classes,)
        The classes that occur.
    uncertainty : Uncertainty
        Covariance of coefficients and thresholds.
    log_likelihood : float
    separated : tuple of int
        Coefficients that run off to infinity (a group all in the highest or lowest class); their numbers mean nothing.
    """

    coefficients: Estimate
    thresholds: Floats
    levels: Ints
    uncertainty: Uncertainty
    log_likelihood: float
    separated: tuple[int, ...]


def cumulative_logit(classes: Ints, X: Floats, cluster: Ints | None = None, *, kind: Kind = "CR1") -> CumulativeLogit:
    """Fit the model.

    Parameters
    ----------
    classes : array (rows,)
        Integers in ascending order of meaning.
    X : array (rows, covariates)
        Without a constant column; the thresholds take its place.
    cluster : array (rows,), optional
        Groups for the sandwich.
    kind : {"CR1", "CR0", "CR2", "jackknife", "model"}
        See `domatia.stats.clustering`.

    Raises
    ------
    ValueError
        If every row is in one class, a covariate is missing, constant or redundant.
    """
    y, x = np.asarray(classes).astype(np.int64), np.asarray(X, dtype=np.float64)
    if x.ndim != 2 or len(y) != len(x) or not np.isfinite(x).all():
        raise ValueError(f"classes and X must have one entry a row and none missing; X has shape {x.shape}")
    if len(np.unique(y)) < 2:
        raise ValueError("every row is in the same class; there is nothing to compare")
    if aliased_columns(x):
        raise ValueError(f"columns {list(aliased_columns(x))} of X are constant or combinations of columns before them")
    group = np.zeros(len(x), np.int64) if cluster is None else np.asarray(cluster)
    order = canonical_order(y, x, group)
    levels, codes = np.unique(y[order], return_inverse=True)
    likelihood = _Likelihood(codes.ravel().astype(np.int64), x[order])
    top = climb(likelihood)
    doubt = clustered_fit(likelihood, top, None if cluster is None else group[order], kind, 0.95)
    p = x.shape[1]
    return CumulativeLogit(
        coefficients=doubt.linear(top.theta[:p], np.eye(len(top.theta))[:p]),
        thresholds=top.theta[p:],
        levels=levels,
        uncertainty=doubt,
        log_likelihood=top.value,
        separated=tuple(j for j in runaway(likelihood, top) if j < p),
    )


class _Likelihood:
    """Log-likelihood in (b, thresholds)."""

    def __init__(self, codes: Ints, X: Floats) -> None:
        self.prior_on: list[int] = []
        self.codes, self.X = codes, X
        self.cuts = int(codes.max())
        n = len(codes)
        # rows of the two ends of each row's class, in (b, thresholds)
        self.low, self.high = (np.hstack([-X, np.zeros((n, self.cuts))]) for _ in range(2))
        at = np.arange(n)
        self.has_low, self.has_high = codes > 0, codes < self.cuts
        self.low[at[self.has_low], X.shape[1] + codes[self.has_low] - 1] = 1.0
        self.high[at[self.has_high], X.shape[1] + codes[self.has_high]] = 1.0

    def begin(self) -> Floats:
        share = np.cumsum(np.bincount(self.codes))[:-1] / len(self.codes)
        return np.concatenate([np.zeros(self.X.shape[1]), np.log(share / (1.0 - share))])

    def spread(self) -> Floats:
        return np.concatenate([np.ptp(self.X, axis=0), np.ones(self.cuts)])

    def _ends(self, theta: Floats) -> tuple[Floats, Floats]:
        a = np.where(self.has_low, self.low @ theta, -np.inf)
        b = np.where(self.has_high, self.high @ theta, np.inf)
        return a, b

    def value(self, theta: Floats) -> float:
        if (np.diff(theta[self.X.shape[1] :]) <= 0.0).any():
            return -np.inf
        a, b = self._ends(theta)
        # chance = F(b) (1 - F(a)) (1 - exp(a - b)), free of cancellation
        gap = np.where(self.has_low & self.has_high, np.log(-np.expm1(np.minimum(a - b, -1e-300))), 0.0)
        return float((gap - np.logaddexp(0.0, -b) - np.logaddexp(0.0, a)).sum())

    def _terms(self, theta: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Slopes in the two ends and the three second derivatives, all of the log chance."""
        a, b = self._ends(theta)
        fa, fb = logistic(a), logistic(b)
        both = self.has_low & self.has_high
        d = np.where(both, b - a, 1.0)
        push = np.where(both, 1.0 / np.expm1(d), 0.0)
        bend = push * (1.0 + push)
        by_a, by_b = -fa - push, (1.0 - fb) + push
        return by_a, by_b, -fa * (1.0 - fa) - bend, -fb * (1.0 - fb) - bend, bend

    def _scores(self, theta: Floats) -> Floats:
        by_a, by_b, *_ = self._terms(theta)
        return np.asarray(self.low * (by_a * self.has_low)[:, None] + self.high * (by_b * self.has_high)[:, None])

    def _information(self, theta: Floats, rows: Ints | slice) -> Floats:
        _, _, aa, bb, ab = (t[rows] for t in self._terms(theta))
        low, high = self.low[rows], self.high[rows]
        aa, bb = aa * self.has_low[rows], bb * self.has_high[rows]
        cross = low.T @ (high * ab[:, None])
        return np.asarray(-(low.T @ (low * aa[:, None]) + high.T @ (high * bb[:, None]) + cross + cross.T))

    def derivatives(self, theta: Floats) -> tuple[Floats, Floats]:
        return self._scores(theta).sum(axis=0), self._information(theta, slice(None))

    def group_scores(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        return sum_by(self._scores(theta), codes, groups)

    def group_information(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        return np.stack([self._information(theta, m) for m in members(codes, groups)])
