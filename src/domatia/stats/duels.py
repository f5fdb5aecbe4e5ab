"""Who wins a duel: a logistic curve without intercept on what differs between the two sides.

The chance that the first side wins is 1 / (1 + exp(-x'b)), where x is "first less second" in everything (log numbers,
kind, home). There is no intercept, so that it does not matter which side is called the first. With one column a kind
this is the model of Bradley & Terry 1952, Biometrika 39:324; with log numbers beside it, Bradley-Terry with covariates
(Springall 1973, J. R. Stat. Soc. C 22:59). It speaks of decided duels: under Davidson's model of ties
(`domatia.stats.dominance`) the chance given that there is a winner is just this one.

The slope on log numbers is no attrition exponent: see `domatia.stats.attrition`.
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import Estimate, Uncertainty, model_uncertainty
from domatia.stats.dyadic import dyadic_uncertainty
from domatia.stats.row_likelihood import Parts, RowLikelihood, fit_rows, ranked
from domatia.stats.row_order import canonical_order


@dataclass(frozen=True, eq=False)
class Duels:
    """The fitted curve.

    Attributes
    ----------
    coefficients : Estimate
        One a column of x.
    uncertainty : Uncertainty
    log_likelihood : float
    held : tuple of int
        Columns in which one side always won: their coefficient has no upper bound and is held by a weak prior.
    """

    coefficients: Estimate
    uncertainty: Uncertainty
    log_likelihood: float
    held: tuple[int, ...]


class _Curve(RowLikelihood):
    def __init__(self, won: Floats, X: Floats) -> None:
        super().__init__(X.shape[1])
        self.won, self.X = won, X

    def spread(self) -> Floats:
        return np.asarray(np.abs(self.X).max(axis=0), dtype=np.float64)

    def rows(self, theta: Floats) -> Parts:
        eta = self.X @ theta
        chance = 1.0 / (1.0 + np.exp(-np.clip(eta, -700.0, 700.0)))
        values = self.won * eta - np.logaddexp(0.0, eta)
        weight = chance * (1.0 - chance)
        information = weight[:, None, None] * self.X[:, :, None] * self.X[:, None, :]
        return values, self.X * (self.won - chance)[:, None], information


def duels(won: Floats, X: Floats, sides: tuple[Ints, Ints] | None = None, *, level: float = 0.95) -> Duels:
    """Fit the curve.

    Parameters
    ----------
    won : array (rows,)
        1 if the first side won, 0 if the second.
    X : array (rows, columns)
        First less second.
    sides : (array, array), optional
        Codes of the two units of each row, for a sandwich over both (`domatia.stats.dyadic`).
    level : float

    Raises
    ------
    ValueError
        If there are no rows, something is missing, or a column is a combination of others.
    """
    if X.ndim != 2 or len(won) != len(X) or not len(won):
        raise ValueError(f"duels need one row of x for each result, at least one; x has shape {X.shape}")
    if not (np.isin(won, (0.0, 1.0)).all() and np.isfinite(X).all()):
        raise ValueError("results are 0 or 1 and x has no blanks; leave other rows out and say so")
    if not ranked(X):
        raise ValueError("a column of x is a combination of others; leave one out")
    flip = _turned(X)
    turned, result = X * flip[:, None], np.where(flip > 0, won, 1.0 - won)
    ends = np.zeros((len(won), 2), np.int64) if sides is None else np.sort(np.column_stack(sides), axis=1)
    order = canonical_order(turned, result, ends)
    fit = fit_rows(_Curve(result[order], np.ascontiguousarray(turned[order])))
    doubt = model_uncertainty(fit.covariance, level)
    if sides is not None:
        pair = ends[order]
        doubt = dyadic_uncertainty(fit, pair[:, 0], pair[:, 1], level=level)
    return Duels(doubt.linear(fit.theta, np.eye(len(fit.theta))), doubt, fit.log_likelihood, fit.held)


def _turned(X: Floats) -> Floats:
    """Give 1 or -1 a row, so that the first number that is not nought is positive whichever side was named first."""
    some = X != 0.0
    first = np.argmax(some, axis=1)
    sign = np.sign(X[np.arange(len(X)), first])
    return np.asarray(np.where(sign == 0.0, 1.0, sign), dtype=np.float64)


def win_chance(eta: Floats) -> Floats:
    """Chance of winning for a difference `eta` on the logit scale."""
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(eta, -700.0, 700.0))), dtype=np.float64)


def log_ratio_needed(slope: Estimate, chance: float) -> tuple[float, float, float]:
    """Log ratio of numbers at which equals win with `chance`, with its interval.

    It is logit(chance) / slope. The interval is that of the slope, turned round; where the slope's interval holds
    nought, no ratio may be enough: the upper end is infinite. Estimate and ends are infinite where the slope is
    nought or negative.

    Raises
    ------
    ValueError
        If the chance is not between a half and one.
    """
    if not 0.5 < chance < 1.0:
        raise ValueError(f"a chance of {chance} is not between 0.5 and 1; 0.95 is usual")
    wanted = float(np.log(chance / (1.0 - chance)))
    at, most, least = (wanted / v if v > 0.0 else np.inf for v in (slope.estimate[0], slope.low[0], slope.high[0]))
    return float(at), float(least), float(most)
