"""Proportional hazards when the moment of death is known (or taken as known): Cox's partial likelihood.

Rows are (start, stop], so late entry and covariates that change between rows come naturally. Ties are
broken by Efron's approximation. One sort, then prefix sums over the event times: O(n log n), and O(n p^2)
per Newton step.

Use it for deaths seen as they happened, or to show what dating deaths by the visit that found them changes;
for deaths known only to lie between two visits use `domatia.stats.interval_hazard`.

Sources: Cox 1972, J. R. Stat. Soc. B 34:187; Efron 1977, JASA 72:557 (ties); Lin & Wei 1989, JASA 84:1074
(scores for the sandwich). Not covered: strata, time-dependent effects, exact partial likelihood for ties.
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints
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

_MOST_STEPS = 50
_TOLERANCE = 1e-12


@dataclass(frozen=True, eq=False)
class Cox:
    """A fitted Cox model.

    Attributes
    ----------
    coefficients : Estimate, arrays (covariates,)
        Log hazard ratios.
    uncertainty : Uncertainty
        Covariance, degrees of freedom and the sentence that says what was used.
    log_likelihood, log_likelihood_null : float
        Partial log-likelihood at the estimate and with all coefficients zero.
    events, rows : int
        Deaths, and rows at risk at some death.
    iterations : int
        Newton steps.
    separated : tuple of int
        Covariates whose coefficient runs off to infinity (no deaths in a group); their numbers mean nothing.
    """

    coefficients: Estimate
    uncertainty: Uncertainty
    log_likelihood: float
    log_likelihood_null: float
    events: int
    rows: int
    iterations: int
    separated: tuple[int, ...]

    @property
    def hazard_ratios(self) -> Estimate:
        """Hazard ratios with interval; `se` stays that of the logarithm."""
        return self.coefficients.exponential()


def cox(
    start: Floats,
    stop: Floats,
    died: Bools | Ints,
    X: Floats,
    cluster: Ints | None = None,
    kind: Kind = "CR1",
) -> Cox:
    """Fit Cox's model with Efron ties.

    Parameters
    ----------
    start, stop : array (rows,)
        At risk over (start, stop].
    died : array (rows,)
        1 where the individual died at `stop`.
    X : array (rows, covariates)
        Constant over the row.
    cluster : array (rows,), optional
        Groups for the sandwich; without them the model's standard errors are given.
    kind : {"CR1", "CR0", "model"}
        Which covariance; see `domatia.stats.clustering`.

    Raises
    ------
    ValueError
        If rows are empty or reversed, nobody died, or a covariate is a combination of others.
    """
    begin, end = np.asarray(start, dtype=np.float64), np.asarray(stop, dtype=np.float64)
    event, x = np.asarray(died).astype(bool), np.asarray(X, dtype=np.float64)
    _check(begin, end, event, x)
    group = np.zeros(len(x), np.int64) if cluster is None else np.asarray(cluster)
    order = canonical_order(begin, end, event, x, group)
    work = _Sorted(begin[order], end[order], event[order], x[order])
    beta, steps = np.zeros(work.columns), 0
    null, gradient, information = work.derivatives(beta)
    now, move = null, _solve(information, gradient)
    while steps < _MOST_STEPS:
        steps += 1
        before = now
        beta, now, gradient, information = _climb(work, beta, move, now)
        move = _solve(information, gradient)
        if abs(now - before) <= _TOLERANCE * (abs(now) + 1.0):
            break
    separated = tuple(int(j) for j in np.flatnonzero(np.abs(move) * np.ptp(work.X, axis=0) > 1e-3))
    covariance = np.asarray(np.linalg.pinv(information, hermitian=True), dtype=np.float64)
    uncertainty = model_uncertainty(covariance)
    if cluster is not None and kind != "model":
        codes, groups = cluster_codes(group[order][work.kept])
        scores = sum_by(work.scores(beta), codes, groups)
        uncertainty = clustered_uncertainty(covariance, scores, kind=kind)
    coefficients = uncertainty.linear(beta, np.eye(work.columns))
    return Cox(coefficients, uncertainty, now, null, len(work.dead), len(work.X), steps, separated)


def _solve(information: Floats, gradient: Floats) -> Floats:
    return np.asarray(np.linalg.pinv(information, hermitian=True) @ gradient, dtype=np.float64)


def _climb(work: "_Sorted", beta: Floats, move: Floats, now: float) -> tuple[Floats, float, Floats, Floats]:
    """Newton step, halved until the likelihood does not fall."""
    size = min(1.0, 10.0 / max(float(np.abs(move * np.ptp(work.X, axis=0)).max(initial=0.0)), 1e-300))
    for _ in range(30):
        likelihood, gradient, information = work.derivatives(beta + size * move)
        if np.isfinite(likelihood) and likelihood >= now - 1e-12 * abs(now):
            return beta + size * move, likelihood, gradient, information
        size /= 2.0
    return (beta, *work.derivatives(beta))


class _Sorted:
    """Rows placed on the grid of death times, and the sums over risk sets."""

    def __init__(self, begin: Floats, end: Floats, event: Bools, x: Floats) -> None:
        times, place = np.unique(end[event], return_inverse=True)
        self.grid = len(times)
        lo, hi = np.searchsorted(times, begin, side="right"), np.searchsorted(times, end, side="right")
        self.kept = np.flatnonzero(hi > lo)
        self.lo, self.hi = lo[self.kept], hi[self.kept]
        self.X = x[self.kept] - x[self.kept].mean(axis=0)
        self.columns = x.shape[1]
        if np.linalg.matrix_rank(self.X) < self.columns:
            raise ValueError("a covariate is constant or a combination of others among rows at risk; leave one out")
        self.dead = np.flatnonzero(event[self.kept])
        self.at = self.hi[self.dead] - 1
        ties = np.bincount(place.ravel(), minlength=self.grid)
        self.ties = ties.astype(np.float64)
        # one line per death: its time, and Efron's share of the deaths tied with it
        self.line = np.repeat(np.arange(self.grid), ties)
        nth = np.arange(len(self.line)) - np.repeat(np.cumsum(ties) - ties, ties)
        self.share = nth / ties[self.line]
        self.pairs = np.triu_indices(self.columns)

    def _at_risk(self, w: Floats) -> Floats:
        flow = np.bincount(self.lo, w, self.grid + 1) - np.bincount(self.hi, w, self.grid + 1)
        return np.asarray(np.cumsum(flow)[: self.grid], dtype=np.float64)

    def _mean(self, weight: Floats, columns: Floats) -> Floats:
        """Efron's weighted sum of each column per death, (deaths, columns)."""
        dying = weight[self.dead]
        out = np.empty((len(self.line), columns.shape[1]))
        for j in range(columns.shape[1]):
            whole = self._at_risk(weight * columns[:, j])
            tied = np.bincount(self.at, dying * columns[self.dead, j], self.grid)
            out[:, j] = whole[self.line] - self.share * tied[self.line]
        return out

    def _sums(self, beta: Floats) -> tuple[Floats, Floats, Floats]:
        """Relative risk per row; per death the sum over its risk set and the mean covariates there."""
        risk = np.exp(self.X @ beta)
        total = self._mean(risk, np.ones((len(risk), 1)))[:, 0]
        return risk, total, self._mean(risk, self.X) / total[:, None]

    def derivatives(self, beta: Floats) -> tuple[float, Floats, Floats]:
        """Partial log-likelihood, gradient and information."""
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            risk, total, mean = self._sums(beta)
            first, second = self.pairs
            products = self._mean(risk, self.X[:, first] * self.X[:, second]) / total[:, None]
            likelihood = float((self.X[self.dead] @ beta).sum() - np.log(total).sum())
        gradient = self.X[self.dead].sum(axis=0) - mean.sum(axis=0)
        information = np.zeros((self.columns, self.columns))
        information[first, second] = (products - mean[:, first] * mean[:, second]).sum(axis=0)
        information = information + np.triu(information, 1).T
        return likelihood, gradient, information

    def scores(self, beta: Floats) -> Floats:
        """Score of each kept row, (rows, covariates); rows sum to the gradient."""
        risk, total, mean = self._sums(beta)
        hazard = 1.0 / total
        weighted = hazard[:, None] * mean
        spent = np.concatenate([[0.0], np.cumsum(np.bincount(self.line, hazard, self.grid))])
        spent_x = np.concatenate([np.zeros((1, self.columns)), np.cumsum(sum_by(weighted, self.line, self.grid), 0)])
        out = self.X * (spent[self.hi] - spent[self.lo])[:, None] - (spent_x[self.hi] - spent_x[self.lo])
        out *= -risk[:, None]
        # those who die: their own term, and the part of the hazard that Efron does not charge to them
        out[self.dead] += self.X[self.dead] - (sum_by(mean, self.line, self.grid) / self.ties[:, None])[self.at]
        back = np.bincount(self.line, hazard * self.share, self.grid)[self.at]
        back_x = sum_by(weighted * self.share[:, None], self.line, self.grid)[self.at]
        out[self.dead] += risk[self.dead, None] * (self.X[self.dead] * back[:, None] - back_x)
        return np.asarray(out, dtype=np.float64)


def _check(start: Floats, stop: Floats, died: Bools, X: Floats) -> None:
    rows = len(start)
    if X.ndim != 2 or not rows == len(stop) == len(died) == len(X):
        raise ValueError(f"start, stop, died and X must have one entry a row; X has shape {X.shape}")
    if not (stop > start).all():
        raise ValueError(f"{int((~(stop > start)).sum())} rows do not end after they start; leave them out")
    if not np.isfinite(X).all():
        raise ValueError("a covariate is missing; leave those rows out and say so")
    if not died.any():
        raise ValueError("nobody died, so there is no hazard to compare; at least one death is needed")
