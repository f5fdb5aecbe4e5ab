"""Means that depend on columns, by their link alone: ratios of means, odds of something happening.

A log link for means of counts or amounts (Poisson pseudo-likelihood: right for the mean whatever the distribution), a
logit link for shares. Doubt comes from the groups alone, by the one-step jackknife, so that neither overdispersion nor
plants of one block being alike needs a model.

Sources
-------
Gourieroux, Monfort & Trognon 1984, Econometrica 52:681 (pseudo-likelihood for means); Liang & Zeger 1986, Biometrika
73:13 (marginal means of clustered data); the jackknife as in `domatia.stats.clustering`.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import Estimate, Uncertainty, model_uncertainty
from domatia.stats.row_likelihood import Parts, RowLikelihood, fit_rows, ranked
from domatia.stats.row_order import canonical_order
from domatia.stats.separation import climb, clustered_fit

Link = Literal["log", "logit"]


@dataclass(frozen=True, eq=False)
class MeanModel:
    """A fitted mean.

    Attributes
    ----------
    coefficients : Estimate
        One a column, on the scale of the link.
    uncertainty : Uncertainty
    held : tuple of int
        Columns without a bound, held by a weak prior.
    """

    coefficients: Estimate
    uncertainty: Uncertainty
    held: tuple[int, ...]

    def contrast(self, weights: Floats) -> Estimate:
        """Give one combination of the coefficients, shape (1,)."""
        return self.uncertainty.linear(np.atleast_1d(weights @ self.coefficients.estimate), weights[None, :])


class _Mean(RowLikelihood):
    def __init__(self, y: Floats, X: Floats, link: Link) -> None:
        super().__init__(X.shape[1])
        self.y, self.X, self.link = y, X, link
        mean = (y.sum() + 0.5) / (len(y) + 1.0)
        level = np.log(mean) if link == "log" else np.log(mean / (1.0 - mean))
        self.first = np.asarray(level * np.linalg.lstsq(X, np.ones(len(y)), rcond=None)[0], dtype=np.float64)

    def begin(self) -> Floats:
        return self.first

    def spread(self) -> Floats:
        return np.asarray(np.ptp(self.X, axis=0) + (np.ptp(self.X, axis=0) == 0), dtype=np.float64)

    def rows(self, theta: Floats) -> Parts:
        eta = np.clip(self.X @ theta, -600.0, 600.0)
        if self.link == "log":
            mean = weight = np.exp(eta)
            values = self.y * eta - mean
        else:
            mean = 1.0 / (1.0 + np.exp(-eta))
            weight = mean * (1.0 - mean)
            values = self.y * eta - np.logaddexp(0.0, eta)
        information = weight[:, None, None] * self.X[:, :, None] * self.X[:, None, :]
        return values, self.X * (self.y - mean)[:, None], information


def mean_model(y: Floats, X: Floats, link: Link, cluster: Ints | None = None, *, level: float = 0.95) -> MeanModel:
    """Fit a mean.

    Parameters
    ----------
    y : array (rows,)
        Nought or more; between 0 and 1 for the logit link.
    X : array (rows, columns)
        Whole design, with a column of ones if there is an intercept.
    link : {"log", "logit"}
    cluster : array (rows,), optional
        Groups; without them rows count as groups of their own.
    level : float

    Raises
    ------
    ValueError
        If something is missing or out of range, or a column is a combination of others.
    """
    y = np.asarray(y, dtype=np.float64)
    if X.ndim != 2 or len(y) != len(X) or not len(y) or not (np.isfinite(y).all() and np.isfinite(X).all()):
        raise ValueError("a mean needs one row of x for each value, and no blanks")
    if (y < 0.0).any() or (link == "logit" and (y > 1.0).any()):
        raise ValueError("values are nought or more, and no more than one for shares")
    if not ranked(X):
        raise ValueError("a column of x is a combination of others; leave one out")
    codes = np.arange(len(y)) if cluster is None else np.asarray(cluster)
    order = canonical_order(y, X, codes if cluster is not None else np.zeros(len(y)))
    model = _Mean(y[order], np.ascontiguousarray(X[order]), link)
    fit = fit_rows(model)
    doubt = clustered_fit(model, climb(model), codes[order], "jackknife", level)
    if doubt.kind == "model":
        doubt = model_uncertainty(fit.covariance, level)
    return MeanModel(doubt.linear(fit.theta, np.eye(len(fit.theta))), doubt, fit.held)
