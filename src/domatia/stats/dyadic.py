"""Standard errors when each row belongs to two units at once: a fight to both of its colonies.

Two fights are taken as dependent if they share a colony on either side, and as independent otherwise. The middle of
the sandwich is then the sum of s_f s_g' over all pairs of such fights: the sum over colonies of the products of their
summed scores, less what pairs of colonies that met would count twice.

Sources
-------
Fafchamps & Gubert 2007, J. Development Economics 83:326; Aronow, Samii & Assenova 2015, Political Analysis 23:564;
crossed groups in general: Cameron, Gelbach & Miller 2011, J. Business & Economic Statistics 29:238. Each row's score
is first freed of its own pull on the fit, as if the row had been left out (MacKinnon & White 1985, J. Econometrics
29:305; with one column, score / (1 - leverage)): without it errors were up to 12 % too small in simulations of some
120 fights. The factor
G / (G - 1) for G units and t with G - 1 degrees of freedom below 40 units follow what is common for one grouping.

The sum can fail to be positive, and is too small with few units: below `FEW_UNITS` no coefficient is given less
variance than if rows were independent, and a direction of negative variance gets the model's.
"""

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import FEW_CLUSTERS, Uncertainty, cluster_codes, model_uncertainty, sum_by
from domatia.stats.row_likelihood import RowFit

FEW_UNITS = 15
_LEAST_LEFT = 1e-6


def dyadic_uncertainty(fit: RowFit, first: Ints, second: Ints, *, level: float = 0.95) -> Uncertainty:
    """Sandwich covariance for rows that share units on either side.

    Parameters
    ----------
    fit : RowFit
        Coefficients held by a prior keep at least the model's variance.
    first, second : array (rows,)
        Codes of the two units of each row.
    level : float

    Returns
    -------
    Uncertainty
        With fewer than three units, the model's.

    Raises
    ------
    ValueError
        If a row has the same unit twice.
    """
    if np.any(first == second):
        raise ValueError("a row names the same unit on both sides; leave it out")
    covariance = fit.covariance
    units = np.unique(np.concatenate([first, second]))
    count = len(units)
    if count < 3:
        return model_uncertainty(covariance, level, "Fewer than three units: no sandwich could be made.")
    one, other = np.searchsorted(units, first), np.searchsorted(units, second)
    pull = influence(covariance, fit.scores, fit.information)
    of_unit = sum_by(pull, one, count) + sum_by(pull, other, count)
    pair, pairs = cluster_codes(np.minimum(one, other) * count + np.maximum(one, other))
    of_pair = sum_by(pull, pair, pairs)
    robust = count / (count - 1.0) * (of_unit.T @ of_unit - of_pair.T @ of_pair)
    mended = _positive(robust, covariance)
    df = count - 1.0 if count < FEW_CLUSTERS else np.inf
    quantile = "the normal quantile" if np.isinf(df) else f"t with {df:.0f} degrees of freedom"
    text = f"Standard errors allow for fights that share one of {count} colonies on either side, and {quantile}."
    found = Uncertainty(mended, covariance, "CR1", count, df, level, text)
    low = range(len(covariance)) if count < FEW_UNITS else fit.held
    return found.at_least_model([j for j in low if covariance[j, j] > 0.0])


def influence(covariance: Floats, scores: Floats, information: Floats) -> Floats:
    """Change of the estimate that leaving out each row would cause, to first order, (rows, p).

    A row that alone determines a direction leaves nothing to compare it with there: no correction.
    """
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2.0)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    share, axes = np.linalg.eigh(root.T @ information @ root)
    left = np.clip(1.0 - share, 0.0, 1.0)
    factor = np.where(left > _LEAST_LEFT, 1.0 / np.maximum(left, _LEAST_LEFT), 1.0)
    inner = np.einsum("npk,nk,nqk,nq->np", axes, factor, axes, scores @ root, optimize=True)
    return np.asarray(inner @ root.T, dtype=np.float64)


def _positive(robust: Floats, covariance: Floats) -> Floats:
    """Give directions of no or negative variance, seen in the model's own metric, the model's variance."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2.0)
    kept = values > 1e-12 * max(float(values.max(initial=0.0)), 1e-300)
    root = vectors[:, kept] * np.sqrt(values[kept])
    back = vectors[:, kept] / np.sqrt(values[kept])
    inner = back.T @ robust @ back
    share, axes = np.linalg.eigh((inner + inner.T) / 2.0)
    if share.size == 0 or float(share.min()) > 0.0:
        return robust
    share = np.where(share > 0.0, share, 1.0)
    return np.asarray(root @ (axes * share) @ axes.T @ root.T, dtype=np.float64)
