"""Directions and times of day: mean direction, evenness round the circle, whether two samples are alike.

Mean direction and Rayleigh's test with the correction for small samples: Mardia & Jupp 2000, Directional Statistics,
pp. 15 and 94-96. Watson's two-sample U² with tied values: Watson 1962, Biometrika 49:57-63; Zar 1999, Biostatistical
Analysis (4th ed.), section 27.6; its chance is that of large samples. All of them take the values as independent: hours
at which one plant is counted again and again are not, so here they judge how hours were chosen, never the ants.
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats

_FEW = 50


@dataclass(frozen=True)
class Direction:
    """The mean of directions.

    Attributes
    ----------
    mean : float
        Radians, 0 to 2 pi.
    length : float
        Mean resultant length: 1 if all are alike, near 0 if they lie evenly.
    """

    mean: float
    length: float


@dataclass(frozen=True)
class CircularTest:
    """A statistic and the chance of one at least as large if nothing is the matter."""

    statistic: float
    p: float


def mean_direction(angles: Floats, weights: Floats | None = None) -> Direction:
    """Give the mean direction.

    Parameters
    ----------
    angles : array
        Radians.
    weights : array, optional

    Raises
    ------
    ValueError
        If there is no angle or the weights do not sum to something positive.
    """
    w = np.ones(len(angles)) if weights is None else weights
    if not len(angles) or not w.sum() > 0:
        raise ValueError("mean direction: there is no angle, or no weight; give at least one")
    total = complex((w * np.exp(1j * angles)).sum() / w.sum())
    return Direction(float(np.angle(total) % (2 * np.pi)), float(abs(total)))


def rayleigh(angles: Floats) -> CircularTest:
    """Test whether directions lie evenly against one preferred direction; the statistic is the resultant length.

    Raises
    ------
    ValueError
        If there is no angle.
    """
    n, length = len(angles), mean_direction(angles).length
    z = n * length**2
    p = np.exp(-z)
    if n < _FEW:
        p *= 1 + (2 * z - z**2) / (4 * n) - (24 * z - 132 * z**2 + 76 * z**3 - 9 * z**4) / (288 * n**2)
    return CircularTest(length, float(np.clip(p, 0.0, 1.0)))


def watson_two_samples(one: Floats, other: Floats) -> CircularTest:
    """Test whether two samples of directions come from one distribution: Watson's U².

    Parameters
    ----------
    one, other : array
        Radians. Equal values count as one step of the distribution.

    Raises
    ------
    ValueError
        If a sample is empty.
    """
    if not len(one) or not len(other):
        raise ValueError("Watson's test: a sample is empty; both need at least one direction")
    a, b = np.sort(one % (2 * np.pi)), np.sort(other % (2 * np.pi))
    at, times = np.unique(np.concatenate([a, b]), return_counts=True)
    n = len(a) + len(b)
    apart = np.searchsorted(a, at, side="right") / len(a) - np.searchsorted(b, at, side="right") / len(b)
    middle = float(times @ apart) / n
    u2 = len(a) * len(b) / n**2 * float(times @ (apart - middle) ** 2)
    k = np.arange(1, 40)
    p = 2 * float(np.sum((-1.0) ** (k - 1) * np.exp(-2 * np.pi**2 * k**2 * max(u2, 0.01))))
    return CircularTest(u2, min(max(p, 0.0), 1.0))


def widest_gap(angles: Floats) -> float:
    """Give the widest arc without a direction, in radians; the whole circle if there is one direction or none."""
    if len(angles) < 2:
        return 2 * np.pi
    at = np.sort(angles % (2 * np.pi))
    return float(np.diff(np.append(at, at[0] + 2 * np.pi)).max())
