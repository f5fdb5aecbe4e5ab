"""How far it is to the nearest point, when the nearest may stand beyond the window.

A point whose nearest partner is farther off than the window's edge may have a nearer one outside: its distance is only
known to exceed that to the edge. The distribution is the Kaplan-Meier estimate of such censored distances (Baddeley &
Gill 1997, Ann. Stat. 25:263). It takes for granted that what lies beyond the edge is like what lies inside.
"""

import numpy as np

from domatia.stats.arrays import Bools, Floats


def nearest_distribution(distance: Floats, to_edge: Floats, radii: Floats, weight: Floats | None = None) -> Floats:
    """Give the share of points with a partner within each radius.

    Parameters
    ----------
    distance : array, shape (n,)
        To the nearest partner in the window; infinite if there is none.
    to_edge : array, shape (n,)
        To the edge of the window.
    radii : array
    weight : array, shape (n,), optional
        How often each point counts.

    Returns
    -------
    array, shape of `radii`
        nan at radii at which no point could be judged any more.
    """
    w = np.ones(len(distance)) if weight is None else weight
    seen = np.minimum(distance, to_edge)
    order = np.lexsort((distance > to_edge, seen))
    seen, found, w = seen[order], (distance <= to_edge)[order], w[order]
    at_risk = np.cumsum(w[::-1])[::-1]
    times, first = np.unique(seen, return_index=True)
    if not len(times):
        return np.full(len(radii), np.nan)
    events = np.add.reduceat(np.where(found, w, 0.0), first)
    left = 1.0 - np.cumprod(1.0 - events / np.maximum(at_risk[first], 1e-300))
    place = np.searchsorted(times, radii, side="right")
    value = np.concatenate([[0.0], left])[place]
    # beyond the last distance that is known the curve is not, unless it has reached 1
    beyond = (radii > times[-1]) & (value < 1.0)
    return np.where(beyond, np.nan, value)


def judged(distance: Floats, to_edge: Floats, radius: float) -> Bools:
    """Tell which points show for certain whether they have a partner within the radius."""
    return (distance <= np.minimum(radius, to_edge)) | (to_edge >= radius)
