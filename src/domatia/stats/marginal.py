"""Population-averaged means and their contrasts from a fitted mixed model.

A coefficient on the logit scale is about one unit with its own random effect; an answer is about the mean over units.
Each mean is the average, over given covariate rows, of the expected response with the random effects integrated out
(G-computation, Robins 1986, Mathematical Modelling 7:1393-1512; Gauss-Hermite quadrature, Abramowitz & Stegun 1964,
25.4.46). Standard errors follow by the delta method, J V Jᵀ. The covariate rows are taken as given, not as a sample.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np

from domatia.stats.arrays import Bools, Floats
from domatia.stats.clustering import Estimate, Uncertainty
from domatia.stats.families import Link, logistic
from domatia.stats.mixed_fit import MixedFit
from domatia.stats.mixed_laplace import LaplaceFit
from domatia.stats.ordered import class_chances, threshold_slopes

NODES = 60
BLOCK = 4096


@dataclass(frozen=True)
class MarginalModel:
    """What population-averaged means need to know of a fit.

    Attributes
    ----------
    link : str
        ``"identity"``, ``"log"``, ``"logit"`` or ``"ordered"``.
    keep : array of bool, shape (columns of the design,)
        Columns with an estimate.
    coefficients : array, shape (p,)
        Of the kept columns.
    variances : array, shape (k,)
        Variances of the random intercepts to be integrated over.
    variances_estimated : bool
        Whether the log standard deviations are among the parameters; if not, they are taken as known.
    thresholds : array
        Of the ordered model; else empty.
    threshold_slopes : array, shape (thresholds, shape parameters)
        How the thresholds move with the shape parameters.
    n_parameters : int
        Parameters: coefficients, then log standard deviations if estimated, then shape.
    class_values : array
        Value of each class in the ordered model (1 for classes of interest and 0 for others gives a share; middles of
        classes give a percentage); else empty.
    """

    link: Link
    keep: Bools
    coefficients: Floats
    variances: Floats
    variances_estimated: bool
    thresholds: Floats
    threshold_slopes: Floats
    n_parameters: int
    class_values: Floats


def marginal_from_mixed(fit: MixedFit, link: Literal["identity", "log"]) -> MarginalModel:
    """Prepare a linear (identity) or count (log) model; parameters are the kept coefficients.

    For counts the variances of random intercepts are taken as known; random slopes are not covered by the log link.
    """
    keep = ~fit.left_out
    variances = np.array([c.covariance[0, 0] for c in fit.components]) if link == "log" else np.zeros(0)
    if link == "log" and any(len(c.terms) > 1 for c in fit.components):
        raise ValueError("marginal means: random slopes with a log link are not covered; fit random intercepts only")
    p = int(keep.sum())
    none = np.zeros(0)
    return MarginalModel(link, keep, fit.coefficients[keep], variances, False, none, np.zeros((0, 0)), p, none)


def marginal_from_laplace(fit: LaplaceFit, class_values: Floats | None = None) -> MarginalModel:
    """Prepare a model of proportions or counts, or of ordered classes with `class_values`; all its parameters count.

    Raises
    ------
    ValueError
        If class values are missing for an ordered model, given for another, or not one for each class.
    """
    ordered = fit.link == "ordered"
    if ordered != (class_values is not None):
        raise ValueError("marginal means: class values are needed for ordered classes and only for them")
    keep = ~fit.left_out
    p = int(keep.sum())
    variances = fit.random_sd[fit.random_sd > 0] ** 2
    names = [name for name in fit.parameter_names if name.startswith("log sd ")]
    in_order = [fit.random_sd[fit.random_names.index(name.removeprefix("log sd "))] ** 2 for name in names]
    none = np.zeros(0)
    model = MarginalModel(
        fit.link,
        keep,
        fit.coefficients[keep],
        np.array(in_order),
        True,
        none,
        np.zeros((0, 0)),
        len(fit.parameters),
        none,
    )
    if class_values is None:
        return model
    if len(class_values) != len(fit.shape) + 1:
        raise ValueError(f"marginal means: {len(class_values)} class values for {len(fit.shape) + 1} classes")
    slopes = threshold_slopes(fit.parameters[p + len(variances) :])
    return replace(model, link="ordered", thresholds=fit.shape, threshold_slopes=slopes, class_values=class_values)


@dataclass(frozen=True)
class Averages:
    """Population-averaged means of several scenarios with their common gradient.

    Attributes
    ----------
    names : tuple of str
        Scenarios.
    means : array, shape (s,)
    gradient : array, shape (s, P)
        Derivatives of the means by the model's parameters.
    """

    names: tuple[str, ...]
    means: Floats
    gradient: Floats

    def estimate(self, uncertainty: Uncertainty, scale: float = 1.0) -> Estimate:
        """Return each mean with its interval, times `scale` (100 for per cent)."""
        return uncertainty.linear(self.means * scale, self.gradient * scale)

    def difference(self, first: str, second: str, uncertainty: Uncertainty, scale: float = 1.0) -> Estimate:
        """Return first minus second, times `scale` (100 for percentage points)."""
        a, b = self._find(first), self._find(second)
        value = np.array([self.means[a] - self.means[b]]) * scale
        return uncertainty.linear(value, (self.gradient[a] - self.gradient[b])[None, :] * scale)

    def log_ratio(self, first: str, second: str, uncertainty: Uncertainty) -> Estimate:
        """Return the log response ratio log(first / second).

        Raises
        ------
        ValueError
            If a mean is not positive.
        """
        a, b = self._find(first), self._find(second)
        if min(self.means[a], self.means[b]) <= 0:
            raise ValueError("log response ratio: both means must be positive; give the difference instead")
        value = np.array([np.log(self.means[a] / self.means[b])])
        return uncertainty.linear(value, self.log_ratio_gradient(first, second)[None, :])

    def log_ratio_gradient(self, first: str, second: str) -> Floats:
        """Return the derivatives of the log response ratio by the parameters."""
        a, b = self._find(first), self._find(second)
        return np.asarray(self.gradient[a] / self.means[a] - self.gradient[b] / self.means[b], dtype=np.float64)

    def difference_gradient(self, first: str, second: str) -> Floats:
        """Return the derivatives of first minus second by the parameters (as for degrees of freedom)."""
        return np.asarray(self.gradient[self._find(first)] - self.gradient[self._find(second)], dtype=np.float64)

    def _find(self, name: str) -> int:
        if name not in self.names:
            raise ValueError(f"there is no scenario {name!r}; there are {', '.join(self.names)}")
        return self.names.index(name)


def average_means(model: MarginalModel, scenarios: dict[str, Floats], weights: Floats | None = None) -> Averages:
    """Average the expected response over each scenario's covariate rows.

    Parameters
    ----------
    model : MarginalModel
    scenarios : dict of str to array, shape (rows, columns of the design)
        The same units with treatment (or another covariate) set as the scenario says.
    weights : array, shape (rows,), or None
        How often each row counts.

    Raises
    ------
    ValueError
        If there is no scenario or its rows do not have the design's columns.
    """
    if not scenarios:
        raise ValueError("marginal means: give at least one scenario")
    means, gradients = [], []
    for name, rows in scenarios.items():
        if rows.ndim != 2 or rows.shape[1] != len(model.keep) or not len(rows):
            raise ValueError(f"scenario {name}: rows of shape {rows.shape}, wanted (rows, {len(model.keep)})")
        share = np.full(len(rows), 1 / len(rows)) if weights is None else weights / weights.sum()
        mean, gradient = 0.0, np.zeros(model.n_parameters)
        for start in range(0, len(rows), BLOCK):
            part = slice(start, start + BLOCK)
            value, slope = _weighted_sum(model, rows[part][:, model.keep], share[part])
            mean, gradient = mean + value, gradient + slope
        means.append(mean)
        gradients.append(gradient)
    return Averages(tuple(scenarios), np.array(means), np.stack(gradients))


def expected(model: MarginalModel, predictor: Floats) -> Floats:
    """Return the expected response at each fixed linear predictor, random effects integrated out; shape (n,)."""
    return _response(model, predictor)[0]


def _weighted_sum(model: MarginalModel, rows: Floats, share: Floats) -> tuple[float, Floats]:
    """Sum expected responses and their gradients with the given shares."""
    value, slope, bend, by_threshold = _response(model, rows @ model.coefficients)
    gradient = np.zeros(model.n_parameters)
    p, k = rows.shape[1], len(model.variances)
    gradient[:p] = (share * slope) @ rows
    if model.variances_estimated:
        # d E[h(eta + Z)] / d log sd = sd² E[h''(eta + Z)] for Z normal with variance sd²
        gradient[p : p + k] = model.variances * float(share @ bend)
    if model.link == "ordered":
        gradient[p + k :] = (share @ by_threshold) @ model.threshold_slopes
    return float(share @ value), gradient


def _response(model: MarginalModel, predictor: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return expected response, first and second derivative by the predictor, and derivatives by the thresholds."""
    none = np.zeros((len(predictor), 0))
    if model.link == "identity":
        return predictor, np.ones_like(predictor), np.zeros_like(predictor), none
    variance = float(model.variances.sum())
    if model.link == "log":
        mean = np.exp(predictor + variance / 2)
        return mean, mean, mean, none
    nodes, node_weights = _quadrature()
    spread = predictor[:, None] + np.sqrt(variance) * nodes
    if model.link == "logit":
        p = logistic(spread)
        slope = p * (1 - p)
        return p @ node_weights, slope @ node_weights, (slope * (1 - 2 * p)) @ node_weights, none
    # the expected class value is a sum over thresholds of steps in value times the chance of lying beyond
    steps = np.diff(model.class_values)
    value = np.full(len(predictor), float(model.class_values[0]))
    slope, bend = np.zeros_like(predictor), np.zeros_like(predictor)
    by_threshold = np.zeros((len(predictor), len(steps)))
    for t, (threshold, step) in enumerate(zip(model.thresholds, steps, strict=True)):
        beyond = logistic(spread - threshold)
        first = beyond * (1 - beyond)
        value += step * (beyond @ node_weights)
        slope += step * (first @ node_weights)
        bend += step * ((first * (1 - 2 * beyond)) @ node_weights)
        by_threshold[:, t] = -step * (first @ node_weights)
    return value, slope, bend, by_threshold


@lru_cache(maxsize=1)
def _quadrature() -> tuple[Floats, Floats]:
    """Return nodes and weights for the mean of a function of a standard normal variable."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(NODES)
    return nodes, weights / weights.sum()


def mean_chances(model: MarginalModel, rows: Floats) -> Floats:
    """Return the population-averaged chance of each ordered class over the rows, shape (classes,).

    Raises
    ------
    ValueError
        If the model is not ordered.
    """
    if model.link != "ordered":
        raise ValueError("chances of classes: the model has no ordered classes")
    nodes, node_weights = _quadrature()
    predictor = rows[:, model.keep] @ model.coefficients
    spread = np.sqrt(float(model.variances.sum()))
    total = np.zeros(len(model.thresholds) + 1)
    for node, weight in zip(nodes, node_weights, strict=True):
        total += weight * class_chances(predictor + spread * node, model.thresholds).mean(axis=0)
    return total
