"""How many points lie around a point: K, L, the pair correlation, between all points or from one sort to another.

K(r) times the density of points is the mean number of further points within r of a point (Ripley 1977, J. R. Stat. Soc.
B 39:172); L(r) = sqrt(K(r) / pi) (Besag 1977, same journal 39:193), which is r if points fall anywhere alike. The pair
correlation g(r) = K'(r) / (2 pi r) looks at one distance instead of all up to it (Stoyan & Stoyan 1994, Fractals,
Random Shapes and Point Fields, chapter 15). The squared density is n (n - 1) / area^2. Kernel: Epanechnikov, half width
0.15 / sqrt(density) if not given.

What it takes for granted: that the density is the same all over the window. Where light or soil vary, K says as much
about them as about neighbours. Coincident points count as pairs at distance nought.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.point_edge import isotropic_weights, rigid_weights, translation_weights
from domatia.stats.point_pairs import close_pairs
from domatia.stats.point_window import Window

Correction = Literal["rigid motion", "isotropic", "translation", "border"]
CORRECTIONS: tuple[Correction, ...] = ("rigid motion", "isotropic", "translation", "border")


@dataclass(frozen=True, eq=False)
class OrderedPairs:
    """Pairs from one point to another, each pair twice, with their weights.

    Attributes
    ----------
    i, j : array of int, shape (pairs,)
    distance, weight : array of float
    """

    i: Ints
    j: Ints
    distance: Floats
    weight: Floats


def weighted_pairs(window: Window, xy: Floats, radius: float, correction: Correction = "rigid motion") -> OrderedPairs:
    """Give all pairs up to `radius` in both directions with their edge weights.

    Parameters
    ----------
    window : Window
    xy : array, shape (n, 2)
    radius : float
    correction : {"rigid motion", "isotropic", "translation"}

    Raises
    ------
    ValueError
        If the correction is unknown or has no weights, or a point lies outside the window.
    """
    if not window.contains(xy).all():
        raise ValueError("points lie outside the window; leave them out first")
    found = close_pairs(xy, radius)
    i, j = np.concatenate([found.i, found.j]), np.concatenate([found.j, found.i])
    distance = np.concatenate([found.distance, found.distance])
    if correction == "isotropic":
        return OrderedPairs(i, j, distance, isotropic_weights(window, xy, i, distance))
    if correction == "rigid motion":
        one = rigid_weights(window, found.distance, radius)
    elif correction == "translation":
        one = translation_weights(window, xy[found.j] - xy[found.i])
    else:
        raise ValueError(f"{correction!r} has no weights for pairs; choose one of {', '.join(CORRECTIONS[:3])}")
    return OrderedPairs(i, j, distance, np.concatenate([one, one]))


def within(distance: Floats, weight: Floats, radii: Floats) -> Floats:
    """Sum the weights of the pairs no farther apart than each of the ascending radii."""
    at = first_radius(distance, radii)
    return np.cumsum(np.bincount(at, weights=weight, minlength=len(radii) + 1)[: len(radii)])


def first_radius(distance: Floats, radii: Floats) -> Ints:
    """Give the place of the first radius that is at least the distance; quick where radii are evenly spaced."""
    last = len(radii) - 1
    if last < 2 or not np.allclose(np.diff(radii), radii[1] - radii[0], rtol=1e-6, atol=0.0):
        return np.searchsorted(radii, distance, side="left").astype(np.int64)
    guess = np.ceil((distance - radii[0]) * (last / (radii[-1] - radii[0]))).astype(np.int64)
    guess = np.clip(guess, 0, last)
    guess += distance > radii[guess]
    too_far: Ints = ((guess > 0) & (distance <= radii[guess - 1])).astype(np.int64)
    return np.asarray(guess - too_far, dtype=np.int64)


def k_function(
    window: Window,
    xy: Floats,
    radii: Floats,
    correction: Correction = "rigid motion",
    between: tuple[Bools, Bools] | None = None,
) -> Floats:
    """Estimate K, or the cross K from one sort of points to another.

    Parameters
    ----------
    window : Window
    xy : array, shape (n, 2)
    radii : array
        Ascending.
    correction : {"rigid motion", "isotropic", "translation", "border"}
    between : (array of bool, array of bool), optional
        Which points are of the first and of the second sort; no point may be of both. Left out: all points.

    Returns
    -------
    array, shape of `radii`
        nan where there are too few points to tell.

    Raises
    ------
    ValueError
        If the correction is unknown or a point lies outside the window.
    """
    if correction == "border":
        return _border(window, xy, radii, between)
    pairs = weighted_pairs(window, xy, float(radii[-1]), correction)
    n = len(xy)
    if between is None:
        total, of = within(pairs.distance, pairs.weight, radii), float(n * (n - 1))
    else:
        own = between[0][pairs.i] & between[1][pairs.j]
        total = within(pairs.distance[own], pairs.weight[own], radii)
        of = float(between[0].sum() * between[1].sum())
    return np.asarray(window.area * total / of if of else np.full(len(radii), np.nan), dtype=np.float64)


def _border(window: Window, xy: Floats, radii: Floats, between: tuple[Bools, Bools] | None) -> Floats:
    """Keep only points farther from the edge than r."""
    every = np.ones(len(xy), dtype=np.bool_)
    of, against = between if between is not None else (every, every)
    found = close_pairs(xy, float(radii[-1]))
    i, j = np.concatenate([found.i, found.j]), np.concatenate([found.j, found.i])
    d = np.concatenate([found.distance, found.distance])
    kept = of[i] & against[j]
    edge = window.to_edge(xy)
    # the last radius at which the point still counts, and the first at which the pair does
    last = np.searchsorted(radii, edge, side="right")
    first = first_radius(d[kept], radii)
    until = last[i[kept]]
    seen = first < until
    size = len(radii) + 1
    change = np.bincount(first[seen], minlength=size) - np.bincount(until[seen], minlength=size)
    inner = np.cumsum(np.bincount(last[of], minlength=size)[::-1])[::-1]
    centres = inner[1:]
    density = float(against.sum()) / window.area
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.cumsum(change[:-1]) / (density * centres), dtype=np.float64)


def l_function(k: Floats) -> Floats:
    """Give L from K."""
    return np.sqrt(k / np.pi)


def kernel_sums(distance: Floats, weight: Floats, radii: Floats, half_width: float) -> Floats:
    """Sum weights times the Epanechnikov kernel around each radius."""
    order = np.argsort(distance, kind="stable")
    d, w = distance[order], weight[order]
    first, last = np.searchsorted(d, radii - half_width), np.searchsorted(d, radii + half_width)
    out = np.empty(len(radii))
    for k, r in enumerate(radii):
        t = (d[first[k] : last[k]] - r) / half_width
        out[k] = 0.75 / half_width * float(w[first[k] : last[k]] @ (1.0 - t * t))
    return out


def half_width_for(window: Window, n: int) -> float:
    """Give the usual half width of the kernel, 0.15 / sqrt(density)."""
    return float(0.15 / np.sqrt(n / window.area))


def pair_correlation(
    window: Window,
    xy: Floats,
    radii: Floats,
    correction: Correction = "rigid motion",
    half_width: float | None = None,
) -> Floats:
    """Estimate the pair correlation function; 1 if points fall anywhere alike.

    Parameters
    ----------
    window, xy, correction
        As for `k_function`; there is no border correction.
    radii : array
        Ascending. At distances below the half width the estimate is biased, at 0 it is infinite.
    half_width : float, optional
    """
    h = half_width if half_width is not None else half_width_for(window, len(xy))
    pairs = weighted_pairs(window, xy, float(radii[-1]) + h, correction)
    n = len(xy)
    sums = kernel_sums(pairs.distance, pairs.weight, radii, h)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(window.area * sums / (n * (n - 1) * 2 * np.pi * radii), dtype=np.float64)
