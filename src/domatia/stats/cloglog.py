"""Binomial regression with the complementary log-log link and an offset.

    P(event) = 1 - exp(-h),    h = exp(offset + x'b)

With offset log(time) this is proportional hazards for events known by the look that found them (Prentice &
Gloeckler 1978, Biometrics 34:57; McCullagh & Nelder 1989, Generalized Linear Models, section 4.3). Newton's
method; only rows with events need more than one exponential. Standard errors from the expected information,
as in generalised linear models elsewhere.

Not covered: separation (see `domatia.stats.interval_hazard`, which handles it).
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import (
    Estimate,
    Kind,
    Uncertainty,
    cluster_codes,
    clustered_uncertainty,
    model_uncertainty,
    sum_by,
)
from domatia.stats.row_order import canonical_order
from domatia.stats.separation import members

_MOST_STEPS = 50


@dataclass(frozen=True, eq=False)
class Cloglog:
    """A fitted model.

    Attributes
    ----------
    coefficients : Estimate, arrays (columns,)
        On the complementary log-log scale: log hazard ratios where the offset is log time.
    uncertainty : Uncertainty
        Covariance, degrees of freedom and the sentence that says what was used.
    log_likelihood : float
        Without binomial coefficients.
    iterations : int
    converged : bool
        False if the steps ran out, as under separation.
    """

    coefficients: Estimate
    uncertainty: Uncertainty
    log_likelihood: float
    iterations: int
    converged: bool


@dataclass(frozen=True, eq=False)
class BinomialRows:
    """Events out of trials.

    Attributes
    ----------
    events : array (rows,)
        Number of events; 0 or 1 where `trials` is not given.
    X : array (rows, columns)
        Whole design, with a column of ones if there is an intercept.
    offset : array (rows,), optional
        Added to x'b, such as log time.
    trials : array (rows,), optional
        1 each if not given.
    cluster : array (rows,), optional
        Groups for the sandwich.
    """

    events: Floats | Ints
    X: Floats
    offset: Floats | None = None
    trials: Floats | Ints | None = None
    cluster: Ints | None = None


def cloglog(rows: BinomialRows, *, kind: Kind = "CR1", level: float = 0.95) -> Cloglog:
    """Fit the model.

    Raises
    ------
    ValueError
        If rows are malformed, all or none had the event, or a column is a combination of others.
    """
    work = _Work(rows)
    beta, steps, converged = work.begin(), 0, False
    now, slope, curve = work.terms(beta)
    while steps < _MOST_STEPS and not converged:
        steps += 1
        move = np.linalg.solve(work.X.T @ (work.X * curve[:, None]), work.X.T @ slope)
        before = now
        for _ in range(30):
            now, slope, curve = work.terms(beta + move)
            if np.isfinite(now) and now >= before - 1e-12 * abs(before):
                break
            move /= 2.0
        beta = beta + move
        converged = abs(now - before) <= 1e-12 * (abs(now) + 1.0)
    weight = work.expected(beta)
    covariance = np.asarray(np.linalg.inv(work.X.T @ (work.X * weight[:, None])), dtype=np.float64)
    doubt = model_uncertainty(covariance, level)
    if rows.cluster is not None and kind != "model":
        codes, groups = cluster_codes(work.group)
        scores = sum_by(work.X * slope[:, None], codes, groups)
        parts = members(codes, groups)
        shares = np.stack([work.X[m].T @ (work.X[m] * weight[m, None]) for m in parts])
        doubt = clustered_uncertainty(covariance, scores, kind=kind, level=level, information=shares)
    return Cloglog(doubt.linear(beta, np.eye(len(beta))), doubt, now, steps, converged)


class _Work:
    """Checked arrays; rows with events are treated apart."""

    def __init__(self, rows: BinomialRows) -> None:
        self.X = np.ascontiguousarray(rows.X, dtype=np.float64)
        self.y = np.asarray(rows.events, dtype=np.float64)
        count = len(self.y)
        self.trials = np.ones(count) if rows.trials is None else np.asarray(rows.trials, dtype=np.float64)
        self.offset = np.zeros(count) if rows.offset is None else np.asarray(rows.offset, dtype=np.float64)
        if self.X.ndim != 2 or not len(self.X) == count == len(self.trials) == len(self.offset):
            raise ValueError(f"events, X, offset and trials must have one entry a row; X has shape {self.X.shape}")
        if not (np.isfinite(self.X).all() and np.isfinite(self.offset).all()):
            raise ValueError("a covariate or offset is missing; leave those rows out and say so")
        if not ((self.y >= 0.0) & (self.y <= self.trials)).all():
            raise ValueError("events must lie between 0 and the number of trials")
        if self.y.sum() in (0.0, self.trials.sum()):
            raise ValueError("all or none had the event, so there is nothing to compare")
        group = np.zeros(count, np.int64) if rows.cluster is None else np.asarray(rows.cluster)
        order = canonical_order(self.offset, self.y, self.trials, self.X, group)
        self.X, self.y, self.group = np.ascontiguousarray(self.X[order]), self.y[order], group[order]
        self.trials, self.offset = self.trials[order], self.offset[order]
        gram = self.X.T @ self.X
        scale = np.sqrt(np.maximum(np.diag(gram), 1e-300))
        if np.linalg.matrix_rank(gram / np.outer(scale, scale), tol=1e-11, hermitian=True) < len(gram):
            raise ValueError("a column of X is a combination of others; leave one out")
        self.hit = np.flatnonzero(self.y > 0.0)

    def begin(self) -> Floats:
        """Start from the overall rate, as near as the columns allow."""
        rate = np.log(self.y.sum() / (self.trials @ np.exp(self.offset)))
        ones = np.linalg.lstsq(self.X.T @ self.X, self.X.sum(axis=0), rcond=None)[0]
        return np.asarray(rate * ones, dtype=np.float64)

    def terms(self, beta: Floats) -> tuple[float, Floats, Floats]:
        """Log-likelihood, and its slope and negative curvature in each row's linear predictor."""
        with np.errstate(over="ignore"):
            h = np.exp(self.X @ beta + self.offset)
        slope = -(self.trials - self.y) * h
        value = float(slope.sum())
        curve = -slope
        at, y = h[self.hit], self.y[self.hit]
        gone = -np.expm1(-at)
        s = at * np.exp(-np.minimum(at, 700.0)) / gone
        value += float(y @ np.log(np.maximum(gone, 1e-300)))
        slope[self.hit] += y * s
        curve[self.hit] -= y * s * (1.0 - at / gone)
        return value, slope, curve

    def expected(self, beta: Floats) -> Floats:
        """Give the expected information in each row's linear predictor: trials h^2 / (exp(h) - 1)."""
        h = np.maximum(np.exp(self.X @ beta + self.offset), 1e-300)
        return np.asarray(self.trials * h * h * np.exp(-h) / -np.expm1(-h), dtype=np.float64)
