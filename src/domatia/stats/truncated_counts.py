"""Counts that are never nought, for the second half of a hurdle model: the zero-truncated negative binomial.

A hurdle model asks first whether there is anything at all, then how many given that there is something (Mullahy 1986,
J. Econometrics 33:341-365; zero-truncated counts: Cameron & Trivedi 2013, Regression Analysis of Count Data, ch. 4).
"""

from dataclasses import dataclass, field

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.count_families import LARGEST_PREDICTOR, NegativeBinomial
from domatia.stats.families import Curve, Link, clipped_exp, within_limits


@dataclass(frozen=True)
class TruncatedNegativeBinomial:
    """Negative binomial counts of 1 and more; shape: log of the negative binomial's shape.

    Attributes
    ----------
    counts : array, shape (n,)
        Whole numbers of 1 or more.
    """

    counts: Floats
    whole: NegativeBinomial = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if np.any(self.counts < 1):
            raise ValueError("truncated counts: every count must be 1 or more; noughts belong to the other half")
        object.__setattr__(self, "whole", NegativeBinomial(self.counts))

    @property
    def link(self) -> Link:
        """The log link, of the mean before truncation."""
        return "log"

    @property
    def shape_names(self) -> tuple[str, ...]:
        """Log of the shape."""
        return ("log shape",)

    def rows(self) -> int:
        """Count the rows."""
        return len(self.counts)

    def take(self, order: Ints) -> "TruncatedNegativeBinomial":
        """Return the same family with its rows in another order."""
        return TruncatedNegativeBinomial(self.counts[order])

    def start(self) -> Floats:
        """Give a starting value for the log shape."""
        return np.zeros(1)

    def curve(self, predictor: Floats, shape: Floats, full: bool) -> Curve:
        """Evaluate each row: the negative binomial's value and log(1 - P(0)).

        With a = -log P(0) the added term is log(1 - exp(-a)); r is its derivative by a.
        """
        base = self.whole.curve(predictor, shape, full)
        size = clipped_exp(shape[0])
        mean = np.exp(np.minimum(predictor, LARGEST_PREDICTOR))
        near, far = mean / (mean + size), size / (mean + size)
        a = np.maximum(size * np.log1p(mean / size), 1e-300)
        a1, a2 = size * near, size * near * far
        r = 1.0 / np.expm1(np.minimum(a, 700.0))
        r1 = -r * (1 + r)
        value = base.value + np.log(-np.expm1(-a))
        first, second = base.first + r * a1, base.second + r1 * a1**2 + r * a2
        if not full or base.third is None:
            return Curve(value, first, second)
        r2 = (1 + 2 * r) * r * (1 + r)
        third = base.third + r2 * a1**3 + 3 * r1 * a1 * a2 + r * a2 * (far - near)
        by_size = size * (np.log1p(mean / size) - near)
        by_a1, by_a2 = size * near**2, 2 * size * near**2 * far
        more = (
            r * by_size,
            r1 * by_size * a1 + r * by_a1,
            r2 * by_size * a1**2 + 2 * r1 * a1 * by_a1 + r1 * by_size * a2 + r * by_a2,
        )
        bounded = within_limits(shape[0], more)
        old = base.by_shape[0]
        summed = (old[0] + bounded[0][0], old[1] + bounded[0][1], old[2] + bounded[0][2])
        return Curve(value, first, second, third, (summed,))

    def natural_shape(self, shape: Floats) -> Floats:
        """Return the shape."""
        return np.array([clipped_exp(shape[0])])

    def notes(self, shape: Floats) -> tuple[str, ...]:
        """Say if every count is one."""
        if np.all(self.counts == 1):
            return ("no_variation: every count is one, so no effect on the number has a finite estimate",)
        return self.whole.notes(shape)
