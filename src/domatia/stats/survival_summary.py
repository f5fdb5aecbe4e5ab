"""Survival, differences and restricted means from a fitted hazard model, with intervals.

Everything takes rows of covariates, shape (m, covariates), and averages over them (with `weights` if
given): one row gives the curve of such an individual; the covariates of all individuals with one of them
set to a value give the population average under that value (G-computation, Robins 1986, Math. Modelling
7:1393), of which the difference between two settings is an effect that does not depend on the scale of the
model.

Time runs from the start of the first baseline piece, ``fit.edges[0]``: the earliest time at which anyone was
watched. Where that is above 0, curves and means hold for those alive then.

Intervals are by the delta method from the model's covariance, so they inherit clustering and degrees of
freedom: survival on the log(-log) scale, differences and means on their own. They hold for the covariate
rows given; that these rows are themselves a sample is not counted.
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats
from domatia.stats.clustering import Estimate
from domatia.stats.interval_hazard import IntervalHazard, overlaps


@dataclass(frozen=True, eq=False)
class Curve:
    """Survival at `times`, from the start of the first baseline piece.

    Attributes
    ----------
    times : array (times,)
    survival : Estimate, arrays (times,)
    """

    times: Floats
    survival: Estimate


def survival_curve(fit: IntervalHazard, X: Floats, times: Floats, weights: Floats | None = None) -> Curve:
    """Average chance of being alive at `times` over the rows of `X`.

    Parameters
    ----------
    fit : IntervalHazard
        The model; time runs from ``fit.edges[0]``.
    X : array (m, covariates) or (covariates,)
        Covariate rows, held for the whole time.
    times : array
        Within the follow-up.
    weights : array (m,), optional
        Weights of the rows.

    Raises
    ------
    ValueError
        If a time lies outside the follow-up, or `X` has the wrong number of columns.
    """
    value, gradient = _survival(fit, X, times, weights)
    return Curve(np.asarray(times, dtype=np.float64), fit.uncertainty.log_log(value, gradient))


def survival_difference(
    fit: IntervalHazard, X1: Floats, X0: Floats, times: Floats, weights: Floats | None = None
) -> Estimate:
    """Average survival over `X1` minus that over `X0` at `times`; see `survival_curve`."""
    one, slope_one = _survival(fit, X1, times, weights)
    nought, slope_nought = _survival(fit, X0, times, weights)
    return fit.uncertainty.linear(one - nought, slope_one - slope_nought)


def restricted_mean(fit: IntervalHazard, X: Floats, horizons: Floats, weights: Floats | None = None) -> Estimate:
    """Mean time alive until each horizon (area under the survival curve), averaged over the rows of `X`.

    Raises
    ------
    ValueError
        If a horizon lies outside the follow-up.
    """
    return fit.uncertainty.linear(*_area(fit, X, horizons, weights))


def restricted_mean_difference(
    fit: IntervalHazard, X1: Floats, X0: Floats, horizons: Floats, weights: Floats | None = None
) -> Estimate:
    """Restricted mean over `X1` minus that over `X0`, until each horizon."""
    one, slope_one = _area(fit, X1, horizons, weights)
    nought, slope_nought = _area(fit, X0, horizons, weights)
    return fit.uncertainty.linear(one - nought, slope_one - slope_nought)


def _rows(fit: IntervalHazard, X: Floats, weights: Floats | None) -> tuple[Floats, Floats]:
    x = np.atleast_2d(np.asarray(X, dtype=np.float64))
    wanted = len(fit.coefficients.estimate)
    if x.shape[1] != wanted:
        raise ValueError(f"covariate rows have {x.shape[1]} columns, the model has {wanted}")
    w = np.ones(len(x)) if weights is None else np.asarray(weights, dtype=np.float64)
    if w.shape != (len(x),) or not (w >= 0.0).all() or w.sum() <= 0.0:
        raise ValueError(f"weights must be {len(x)} numbers, none negative, not all zero")
    distinct, place = np.unique(x, axis=0, return_inverse=True)
    share = np.bincount(place.ravel(), weights=w, minlength=len(distinct))
    return distinct, np.asarray(share / share.sum(), dtype=np.float64)


def _within(fit: IntervalHazard, times: Floats) -> Floats:
    t = np.atleast_1d(np.asarray(times, dtype=np.float64))
    first, last = fit.edges[0], fit.edges[-1]
    slack = 1e-9 * max(last - first, 1e-300)
    if not ((t >= first - slack) & (t <= last + slack)).all():
        raise ValueError(f"a time lies outside the follow-up: ask for times from {first:g} to {last:g}")
    return t


def _survival(fit: IntervalHazard, X: Floats, times: Floats, weights: Floats | None) -> tuple[Floats, Floats]:
    """Average survival (times,) and its gradient (times, parameters)."""
    x, w = _rows(fit, X, weights)
    t = _within(fit, times)
    p = x.shape[1]
    shares = overlaps(np.full(len(t), fit.edges[0]), t, fit.edges) * np.exp(fit.parameters[p:])
    base = shares.sum(axis=1)
    risk = np.exp(x @ fit.parameters[:p])
    alive = np.exp(-np.outer(base, risk))
    # dS/db = -S H x, dS/da_k = -S exp(x'b) share_k
    pull = alive * (w * risk)
    gradient = np.hstack([-(pull @ x) * base[:, None], -pull.sum(axis=1)[:, None] * shares])
    return alive @ w, gradient


def _area(fit: IntervalHazard, X: Floats, horizons: Floats, weights: Floats | None) -> tuple[Floats, Floats]:
    """Average area under the curve (horizons,) and its gradient (horizons, parameters)."""
    x, w = _rows(fit, X, weights)
    ends = _within(fit, horizons)
    p = x.shape[1]
    rate = np.exp(fit.parameters[p:])
    risk = np.exp(x @ fit.parameters[:p])
    areas, gradients = np.empty(len(ends)), np.empty((len(ends), len(fit.parameters)))
    for i, end in enumerate(ends):
        spans = overlaps(np.array([fit.edges[0]]), np.array([end]), fit.edges)[0]
        area, slope = _areas_of_rows(risk, rate, spans)
        areas[i] = w @ area
        gradients[i] = np.concatenate([(w * slope.sum(axis=1)) @ x, w @ slope])
    return areas, gradients


def _areas_of_rows(risk: Floats, rate: Floats, spans: Floats) -> tuple[Floats, Floats]:
    """Area under each row's curve and its derivative in each log baseline hazard, (m,) and (m, pieces).

    With hazard h on a piece of length d entered with survival S, the piece adds S (1 - e^(-hd)) / h, and
    the integral of S(u) h (u - entry) over it is S ((1 - e^(-hd)) / h - d e^(-hd)).
    """
    slope = np.zeros((len(risk), len(rate)))
    total, spent = np.zeros(len(risk)), np.zeros((len(risk), len(rate)))
    alive = np.ones(len(risk))
    for k in range(len(rate)):
        z = risk * rate[k] * spans[k]
        mean = spans[k] * np.where(z > 1e-12, -np.expm1(-z) / np.maximum(z, 1e-300), 1.0)
        piece = alive * mean
        total += piece
        slope -= piece[:, None] * spent
        slope[:, k] -= alive * (mean - spans[k] * np.exp(-z))
        spent[:, k] = z
        alive = alive * np.exp(-z)
    return total, slope
