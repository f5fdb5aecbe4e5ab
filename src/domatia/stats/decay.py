"""Chances that fall with distance: an exponential decay, fitted to events by likelihood.

p(d) = a exp(-d / L), 0 < a < 1, so that the chance halves every L log 2 (a logistic curve is in `canonical`). Standard
errors are not made here: leave out one group at a time (`leave_one_out`).

It does not cover a chance that rises with distance under the exponential form: L then runs off to its bound.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from domatia.stats.arrays import Floats

Point = np.ndarray[tuple[int], np.dtype[np.float64]]

LONGEST = 1e4
"""Longest length of decay, in units of the longest distance: beyond it no decay can be told from none."""


@dataclass(frozen=True)
class Decay:
    """A fitted exponential decay.

    Attributes
    ----------
    start : float
        Chance at distance 0.
    length : float
        Distance over which it falls to 1/e.
    log_likelihood : float
    """

    start: float
    length: float
    log_likelihood: float

    @property
    def halving(self) -> float:
        """Distance over which the chance halves."""
        return self.length * float(np.log(2.0))


def exponential_decay(distance: Floats, event: Floats, near: Decay | None = None) -> Decay:
    """Fit p = a exp(-d / L) by maximum likelihood.

    Parameters
    ----------
    distance : array (n,)
        0 or more, not all alike.
    event : array (n,)
        1 where it happened, else 0; both must occur.
    near : Decay, optional
        Begin here alone: the fit to nearly the same data, as when one group is left out.

    Raises
    ------
    ValueError
        If distances do not vary, or nothing or everything happened.
    """
    d, y = _checked(distance, event)
    longest = float(d.max())

    def minus(point: Point) -> tuple[float, Floats]:
        start, rate = 1 / (1 + np.exp(-point[0])), np.exp(point[1])
        p = np.clip(start * np.exp(-rate * d), 1e-12, 1 - 1e-12)
        by_p = y / p - (1 - y) / (1 - p)
        slope = np.array([np.sum(by_p * p * (1 - start)), np.sum(by_p * p * (-rate * d))])
        return -float(np.sum(y * np.log(p) + (1 - y) * np.log1p(-p))), -slope

    bounds = ((-15.0, 15.0), (-float(np.log(LONGEST * longest)), float(np.log(1e3 / longest))))
    share = float(np.clip(y.mean(), 0.02, 0.98))
    starts = [_point(np.log(s / (1 - s)), np.log(r / longest)) for s in (share, 0.5, 0.9) for r in (0.1, 1.0, 5.0)]
    if near is not None:
        s = float(np.clip(near.start, 1e-6, 1 - 1e-6))
        starts = [_point(np.log(s / (1 - s)), -np.log(near.length))]
    found = [
        minimize(minus, s, jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-14, "gtol": 1e-9})
        for s in starts
    ]
    best = min(found, key=lambda one: float(one.fun))
    a, log_rate = (float(v) for v in best.x)
    return Decay(float(1 / (1 + np.exp(-a))), float(np.exp(-log_rate)), -float(best.fun))


def _point(odds: float, log_rate: float) -> Point:
    point: Point = np.empty(2)
    point[:] = odds, log_rate
    return point


def _checked(distance: Floats, event: Floats) -> tuple[Floats, Floats]:
    d, y = np.asarray(distance, np.float64), np.asarray(event, np.float64)
    if len(d) != len(y) or len(d) < 3 or float(np.ptp(d)) == 0 or d.min() < 0:
        raise ValueError("a decay needs three distances or more, of 0 or more and not all alike, one for each event")
    if not 0 < y.sum() < len(y):
        raise ValueError("a decay needs events and non-events; here all are alike")
    return d, y
