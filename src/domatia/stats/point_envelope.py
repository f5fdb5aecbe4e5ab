"""Envelopes of curves drawn under a null hypothesis, and the global tests that go with them.

A pointwise envelope holds the share `level` of the simulated curves at each distance by itself: a curve under the null
leaves it somewhere far more often than that, so it is no test (Loosmore & Ford 2006, Ecology 87:1925). A global
envelope holds whole curves. Two are given:

- by the greatest deviation (MAD; Ripley 1977, J. R. Stat. Soc. B 39:172; Diggle 1979, Biometrics 35:87), on curves
  divided by their standard deviation at each distance if asked (Myllymaki et al. 2015, Spatial Statistics 11:19);
- by extreme rank length (Myllymaki et al. 2017, J. R. Stat. Soc. B 79:381): curves are ordered by their most extreme
  pointwise ranks; it needs no scale and its envelope goes hand in hand with its p.

The observed curve counts as one of the draws, so that p is never nought and tests keep their level.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from domatia.stats.arrays import Floats, Ints

Kind = Literal["rank", "deviation", "scaled deviation"]


@dataclass(frozen=True, eq=False)
class Envelope:
    """An envelope and its test.

    Attributes
    ----------
    low, centre, high : array, shape (distances,)
        `centre` is the mean of all curves.
    p : float
        Share of the curves that are at least as extreme as the observed one, itself included.
    curves : int
        Number of curves, the observed one included.
    """

    low: Floats
    centre: Floats
    high: Floats
    p: float
    curves: int


def pointwise(simulated: Floats, level: float = 0.95) -> tuple[Floats, Floats]:
    """Give, at each distance by itself, the ends that hold the share `level` of the simulated curves.

    Parameters
    ----------
    simulated : array, shape (draws, distances)
    level : float
    """
    tail = (1.0 - level) / 2.0
    place = max(int(np.floor(tail * (len(simulated) + 1))), 1)
    ordered = np.sort(simulated, axis=0)
    return ordered[place - 1], ordered[len(simulated) - place]


def global_envelope(observed: Floats, simulated: Floats, kind: Kind = "rank", level: float = 0.95) -> Envelope:
    """Give the envelope that holds whole curves, and the p of the observed one.

    Parameters
    ----------
    observed : array, shape (distances,)
    simulated : array, shape (draws, distances)
    kind : {"rank", "deviation", "scaled deviation"}
    level : float

    Raises
    ------
    ValueError
        If there are too few draws for the level, or a curve is not finite.
    """
    curves = np.vstack([observed, simulated])
    if not np.isfinite(curves).all():
        raise ValueError("a curve is not finite at some distance; leave that distance out")
    if len(curves) * (1.0 - level) < 1.0:
        needed = int(np.ceil(1.0 / (1.0 - level))) - 1
        raise ValueError(f"{len(simulated)} draws cannot give an envelope of {level:g}; at least {needed} are needed")
    centre = curves.mean(axis=0)
    order = _rank_order(curves) if kind == "rank" else _deviation(curves, centre, kind == "scaled deviation")
    p = float(np.mean(order <= order[0]))
    # curves in the order of their extremeness; the most extreme ones, together no more than 1 - level, are outside
    least = np.sort(order)
    inside = order >= least[int(np.floor((1.0 - level) * len(curves) + 1e-9))]
    if kind == "rank":
        return Envelope(curves[inside].min(axis=0), centre, curves[inside].max(axis=0), p, len(curves))
    scale = _scale(curves) if kind == "scaled deviation" else np.ones(curves.shape[1])
    reach = float(np.max(-order[inside], initial=0.0)) * scale
    return Envelope(centre - reach, centre, centre + reach, p, len(curves))


def _scale(curves: Floats) -> Floats:
    return np.asarray(curves.std(axis=0, ddof=1), dtype=np.float64)


def _deviation(curves: Floats, centre: Floats, scaled: bool) -> Floats:
    """Give the order of curves: the less, the more extreme."""
    off = np.abs(curves - centre)
    if scaled:
        scale = _scale(curves)
        off = np.divide(off, scale, out=np.zeros_like(off), where=scale > 0)
    return np.asarray(-off.max(axis=1), dtype=np.float64)


def _rank_order(curves: Floats) -> Floats:
    """Give the place of each curve when the most extreme comes first; curves that are alike share a place."""
    from scipy.stats import rankdata

    up = rankdata(curves, method="average", axis=0)
    ranks = np.sort(np.minimum(up, len(curves) + 1.0 - up), axis=1)
    order = np.lexsort(ranks.T[::-1])
    ranked = ranks[order]
    new = np.concatenate([[True], np.any(ranked[1:] != ranked[:-1], axis=1)])
    place: Ints = np.empty(len(curves), dtype=np.int64)
    place[order] = np.cumsum(new)
    return place.astype(np.float64)
