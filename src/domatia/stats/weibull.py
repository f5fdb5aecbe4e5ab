"""Weibull regression for times known only to lie in an interval (accelerated failure time form).

    log T = b_0 + x'b + scale * W,    W with the standard minimum extreme-value distribution

so exp(b) stretches time, and -b / scale is a log hazard ratio (Kalbfleisch & Prentice 2002, The Statistical
Analysis of Failure Time Data, 2nd ed., section 3.6). Newton's method with exact derivatives. A time may be
exact (left == right > 0), in an interval, before `right` (left == 0) or after `left` (right == inf).

Not covered: late entry, covariates that change with time, groups without events (see
`domatia.stats.interval_hazard`).
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import Estimate, Kind, Uncertainty, sum_by
from domatia.stats.interval_hazard import aliased_columns
from domatia.stats.row_order import canonical_order
from domatia.stats.separation import climb, clustered_fit, members


@dataclass(frozen=True, eq=False)
class Weibull:
    """A fitted model.

    Attributes
    ----------
    coefficients : Estimate, arrays (1 + covariates,)
        Intercept and effects on log time.
    scale : Estimate, arrays (1,)
        Scale; its interval is made on the log scale, `se` is that of its logarithm.
    hazard_ratios : Estimate, arrays (covariates,)
        exp(-b / scale), interval on the log scale, `se` that of the logarithm.
    uncertainty : Uncertainty
        Covariance of coefficients and log scale, degrees of freedom, and the sentence that says what was
        used.
    log_likelihood : float
    iterations : int
    """

    coefficients: Estimate
    scale: Estimate
    hazard_ratios: Estimate
    uncertainty: Uncertainty
    log_likelihood: float
    iterations: int


def weibull(
    left: Floats,
    right: Floats,
    X: Floats,
    cluster: Ints | None = None,
    *,
    kind: Kind = "CR1",
    level: float = 0.95,
) -> Weibull:
    """Fit the model.

    Parameters
    ----------
    left, right : array (individuals,)
        Last time known event-free and first time known past the event (``inf``: never seen).
    X : array (individuals, covariates)
        Without a constant column; the intercept is added.
    cluster : array (individuals,), optional
        Groups for the sandwich.
    kind, level
        See `domatia.stats.clustering`.

    Raises
    ------
    ValueError
        If intervals are reversed or empty of information, nobody had the event, or a covariate is redundant.
    """
    lo, hi, x = _checked(left, right, X)
    group = np.zeros(len(x), np.int64) if cluster is None else np.asarray(cluster)
    order = canonical_order(lo, hi, x, group)
    likelihood = _Likelihood(lo[order], hi[order], x[order])
    fit = climb(likelihood)
    groups = None if cluster is None else group[order][likelihood.kept]
    doubt = clustered_fit(likelihood, fit, groups, kind, level)
    size = len(fit.theta)
    unit = np.eye(size)
    log_scale = doubt.linear(fit.theta[-1:], unit[-1:])
    scale = np.exp(fit.theta[-1])
    # log hazard ratio -b / scale: derivative -1 / scale in b, b / scale in log scale
    ratio = -fit.theta[1:-1] / scale
    slope = -unit[1:-1] / scale
    slope[:, -1] = -ratio
    log_ratio = doubt.linear(ratio, slope)
    return Weibull(
        coefficients=doubt.linear(fit.theta[:-1], unit[:-1]),
        scale=log_scale.exponential(),
        hazard_ratios=log_ratio.exponential(),
        uncertainty=doubt,
        log_likelihood=fit.value,
        iterations=fit.steps,
    )


def _checked(left: Floats, right: Floats, X: Floats) -> tuple[Floats, Floats, Floats]:
    lo, hi, x = (np.asarray(v, dtype=np.float64) for v in (left, right, X))
    if x.ndim != 2 or not len(lo) == len(hi) == len(x):
        raise ValueError(f"left, right and X must have one entry an individual; X has shape {x.shape}")
    if np.isnan(lo).any() or np.isnan(hi).any() or not np.isfinite(x).all():
        raise ValueError("an interval or a covariate is missing; leave those individuals out and say so")
    if (lo < 0.0).any() or (hi < lo).any() or (hi <= 0.0).any():
        raise ValueError("an interval is negative, reversed or ends at 0; times must be above 0")
    if not np.isfinite(hi).any():
        raise ValueError("nobody had the event, so there is no time to model; at least one is needed")
    aliased = aliased_columns(x)
    if aliased:
        raise ValueError(f"columns {list(aliased)} of X are constant or combinations of columns before them")
    return lo, hi, x


class _Likelihood:
    """Log-likelihood in (intercept, b, log scale) with exact derivatives."""

    def __init__(self, left: Floats, right: Floats, X: Floats) -> None:
        self.prior_on: list[int] = []
        self.kept = (left > 0.0) | np.isfinite(right)
        lo, hi = left[self.kept], right[self.kept]
        self.X = np.hstack([np.ones((len(lo), 1)), X[self.kept]])
        self.exact = lo == hi
        self.after, self.before = lo > 0.0, np.isfinite(hi) & ~self.exact
        self.log_lo = np.log(np.where(self.after, lo, 1.0))
        self.log_hi = np.log(np.where(self.before, hi, 1.0))

    def begin(self) -> Floats:
        theta = np.zeros(self.X.shape[1] + 1)
        seen = np.where(self.before, self.log_hi, self.log_lo)
        theta[0] = np.median(seen) + 0.5
        return theta

    def spread(self) -> Floats:
        out = np.append(np.ptp(self.X, axis=0), 1.0)
        out[0] = 1.0
        return out

    def _z(self, theta: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Standardised log ends, and the cumulative hazards there."""
        scale, centre = np.exp(theta[-1]), self.X @ theta[:-1]
        # beyond 300 a chance is 0 or 1 to the last bit; the limit keeps steps on the way from overflowing
        z_lo = np.where(self.after, np.minimum((self.log_lo - centre) / scale, 300.0), 0.0)
        z_hi = np.where(self.before, np.minimum((self.log_hi - centre) / scale, 300.0), 0.0)
        return z_lo, z_hi, np.where(self.after, np.exp(z_lo), 0.0), np.exp(z_hi)

    def value(self, theta: Floats) -> float:
        z_lo, _, h_lo, h_hi = self._z(theta)
        gone = -np.expm1(-np.where(self.before, h_hi - h_lo, 1.0))
        inside = np.where(self.before, np.log(np.maximum(gone, 1e-300)), 0.0)
        dated = np.where(self.exact, z_lo - theta[-1] - self.log_lo, 0.0)
        return float((inside + dated - h_lo).sum())

    def _row_terms(self, theta: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Score of each row in location and log scale, and the three second derivatives."""
        scale = np.exp(theta[-1])
        z_lo, z_hi, h_lo, h_hi = self._z(theta)
        apart = np.where(self.before, h_hi - h_lo, 1.0)
        gone = -np.expm1(-apart)
        r = np.where(self.before, np.exp(-apart) / gone, 0.0)
        r2 = r * (1.0 + r)
        # first and second derivatives in the two standardised ends
        a, b = self.exact - (1.0 + r) * h_lo, r * h_hi
        aa, bb, ab = a - self.exact - r2 * h_lo**2, b - r2 * h_hi**2, r2 * h_lo * h_hi
        location = -(a + b) / scale
        spread = -(a * z_lo + b * z_hi) - self.exact
        both = (aa + bb + 2.0 * ab) / scale**2
        mixed = (aa * z_lo + bb * z_hi + ab * (z_lo + z_hi) + a + b) / scale
        twice = aa * z_lo**2 + bb * z_hi**2 + 2.0 * ab * z_lo * z_hi + a * z_lo + b * z_hi
        return location, spread, both, mixed, twice

    def derivatives(self, theta: Floats) -> tuple[Floats, Floats]:
        location, spread, both, mixed, twice = self._row_terms(theta)
        gradient = np.append(self.X.T @ location, spread.sum())
        return gradient, self._information(self.X, both, mixed, twice)

    def _information(self, X: Floats, both: Floats, mixed: Floats, twice: Floats) -> Floats:
        out = np.empty((X.shape[1] + 1, X.shape[1] + 1))
        out[:-1, :-1] = -X.T @ (X * both[:, None])
        out[:-1, -1] = out[-1, :-1] = -X.T @ mixed
        out[-1, -1] = -twice.sum()
        return out

    def group_scores(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        location, spread, *_ = self._row_terms(theta)
        return sum_by(np.column_stack([self.X * location[:, None], spread]), codes, groups)

    def group_information(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        _, _, both, mixed, twice = self._row_terms(theta)
        parts = members(codes, groups)
        return np.stack([self._information(self.X[m], both[m], mixed[m], twice[m]) for m in parts])
