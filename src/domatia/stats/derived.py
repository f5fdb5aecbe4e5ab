"""Numbers derived from parts that were measured independently: clustered means and separate calibrations.

The variance of a smooth function is the sum of each part's share by the delta method, and its degrees of freedom
follow Welch & Satterthwaite (Satterthwaite 1946, Biometrics Bull. 2:110-114): (sum of shares)² over the sum of share² /
degrees of freedom of that part. Not for parts that share observations: give those as one part with their covariance.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats
from domatia.stats.clustering import Estimate, two_sided_quantile


@dataclass(frozen=True, eq=False)
class Part:
    """Estimates with their covariance.

    Attributes
    ----------
    values : array, shape (k,)
    covariance : array, shape (k, k)
    df : float
    """

    values: Floats
    covariance: Floats
    df: float


def mean_part(measured: Floats) -> Part:
    """Make a part of the mean of independent measurements; of a single one the spread is unknown and taken as nought.

    Raises
    ------
    ValueError
        If there is none.
    """
    n = len(measured)
    if not n:
        raise ValueError("a mean needs a measurement; give at least one")
    variance = float(np.var(measured, ddof=1)) / n if n > 1 else 0.0
    return Part(np.array([float(np.mean(measured))]), np.array([[variance]]), max(n - 1.0, 1.0))


def derived(value: float, gradients: Sequence[Floats], parts: Sequence[Part], level: float = 0.95) -> Estimate:
    """Give a derived number with its interval, symmetric on the scale of `value`.

    Parameters
    ----------
    value : float
    gradients : sequence of array
        Derivatives of the number by the values of each part.
    parts : sequence of Part
    level : float
    """
    shares = np.array([max(float(g @ p.covariance @ g), 0.0) for g, p in zip(gradients, parts, strict=True)])
    total = float(shares.sum())
    weight = float((shares**2 / np.array([p.df for p in parts])).sum())
    df = total**2 / weight if weight > 0 else np.inf
    half = two_sided_quantile(level, max(df, 1.0)) * np.sqrt(total)
    one = np.array([value])
    return Estimate(one, np.array([np.sqrt(total)]), one - half, one + half)
