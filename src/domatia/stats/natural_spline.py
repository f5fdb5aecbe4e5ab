"""A natural cubic spline: smooth in the middle, straight beyond the outer knots.

Columns of the truncated-power form, with 2, 3 or 4 knots at fixed quantiles of what was seen. Two knots are a straight
line. Sources: Hastie, Tibshirani & Friedman 2009, The Elements of Statistical Learning, 2nd ed., eq. 5.4-5.5; places of
the knots: Harrell 2001, Regression Modeling Strategies, section 2.4.5.
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats

_PLACES = {2: (0.05, 0.95), 3: (0.10, 0.50, 0.90), 4: (0.05, 0.35, 0.65, 0.95)}


@dataclass(frozen=True, eq=False)
class NaturalSpline:
    """A basis.

    Attributes
    ----------
    knots : array
        Ascending, two or more.
    """

    knots: Floats

    def columns(self, x: Floats) -> Floats:
        """Give a column of ones and one column a knot but the last, shape (x, knots)."""
        t = self._scaled(x)
        bends = [self._bend(t, k, 3) - self._bend(t, len(self.knots) - 2, 3) for k in range(len(self.knots) - 2)]
        return np.column_stack([np.ones_like(t), t, *bends])

    def slopes(self, x: Floats) -> Floats:
        """Give the derivatives of the columns by x, shape (x, knots)."""
        t = self._scaled(x)
        bends = [self._bend(t, k, 2) - self._bend(t, len(self.knots) - 2, 2) for k in range(len(self.knots) - 2)]
        return np.column_stack([np.zeros_like(t), np.ones_like(t), *(3.0 * b for b in bends)]) * (1.0 / self._width)

    @property
    def _width(self) -> float:
        return float(self.knots[-1] - self.knots[0])

    def _scaled(self, x: Floats) -> Floats:
        return np.asarray((np.asarray(x) - self.knots[0]) / self._width, dtype=np.float64)

    def _bend(self, t: Floats, k: int, power: int) -> Floats:
        at = (self.knots - self.knots[0]) / self._width
        above = np.maximum(t - at[k], 0.0) ** power - np.maximum(t - at[-1], 0.0) ** power
        return np.asarray(above / (at[-1] - at[k]), dtype=np.float64)


def spline_over(x: Floats, knots: int) -> NaturalSpline:
    """Give a spline with so many knots, fewer where the values do not tell them apart.

    Parameters
    ----------
    x : array
        What was seen.
    knots : int
        2 to 4.

    Raises
    ------
    ValueError
        If all values are the same, or another number of knots is asked for.
    """
    if knots not in _PLACES:
        raise ValueError(f"{knots} knots: the places of 2 to 4 are known")
    if not len(x) or np.ptp(x) <= 0.0:
        raise ValueError("all values are the same: there is no curve over them")
    for number in range(knots, 1, -1):
        places = np.quantile(x, _PLACES[number])
        if len(np.unique(x)) > number and np.diff(places).min() > 1e-9 * float(np.ptp(x)):
            return NaturalSpline(np.asarray(places, dtype=np.float64))
    return NaturalSpline(np.array([np.min(x), np.max(x)], dtype=np.float64))
