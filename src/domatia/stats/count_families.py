"""Counts for the Laplace mixed model: Poisson and negative binomial with log link and exposure.

The negative binomial has variance m + m²/shape (Lawless 1987, Canadian J. Statistics 15:209-225). `mixed_count` fits
the same models through a library; these give each cluster's score as well, for a robust covariance.
"""

from dataclasses import dataclass, field

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.families import Curve, Link, clipped_exp, within_limits
from domatia.stats.gamma_functions import log_gamma_derivatives

LARGEST_PREDICTOR = 300.0
LARGEST_LOG_SHAPE = 13.0


@dataclass(frozen=True)
class Poisson:
    """Counts with the variance of chance alone; no shape parameter.

    Attributes
    ----------
    counts : array, shape (n,)
    exposure : array, shape (n,), or None
        What the count is proportional to; positive.
    """

    counts: Floats
    exposure: Floats | None = None
    offset: Floats = field(init=False, repr=False)
    constant: Floats = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "offset", _offset(self.counts, self.exposure))
        object.__setattr__(self, "constant", log_gamma_derivatives(self.counts + 1.0, 2)[0])

    @property
    def link(self) -> Link:
        """The log link."""
        return "log"

    @property
    def shape_names(self) -> tuple[str, ...]:
        """No shape parameter."""
        return ()

    def rows(self) -> int:
        """Count the rows."""
        return len(self.counts)

    def take(self, order: Ints) -> "Poisson":
        """Return the same family with its rows in another order."""
        return Poisson(self.counts[order], None if self.exposure is None else self.exposure[order])

    def start(self) -> Floats:
        """Give starting values for the shape parameters: none."""
        return np.zeros(0)

    def curve(self, predictor: Floats, shape: Floats, full: bool) -> Curve:
        """Evaluate each row."""
        eta = np.minimum(predictor + self.offset, LARGEST_PREDICTOR)
        mean = np.exp(eta)
        return Curve(mean - self.counts * eta + self.constant, mean - self.counts, mean, mean if full else None)

    def natural_shape(self, shape: Floats) -> Floats:
        """Return no shape."""
        return shape

    def notes(self, shape: Floats) -> tuple[str, ...]:
        """Say if every count is nought."""
        return _all_nought(self.counts)


@dataclass(frozen=True)
class NegativeBinomial:
    """Counts that vary more than by chance; shape: log of the negative binomial's shape.

    Attributes
    ----------
    counts : array, shape (n,)
    exposure : array, shape (n,), or None
        What the count is proportional to; positive.
    """

    counts: Floats
    exposure: Floats | None = None
    offset: Floats = field(init=False, repr=False)
    constant: Floats = field(init=False, repr=False)
    sizes: Floats = field(init=False, repr=False)
    which: Ints = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "offset", _offset(self.counts, self.exposure))
        sizes, which = np.unique(self.counts, return_inverse=True)
        object.__setattr__(self, "sizes", sizes)
        object.__setattr__(self, "which", which)
        object.__setattr__(self, "constant", log_gamma_derivatives(self.counts + 1.0, 2)[0])

    @property
    def link(self) -> Link:
        """The log link."""
        return "log"

    @property
    def shape_names(self) -> tuple[str, ...]:
        """Log of the shape."""
        return ("log shape",)

    def rows(self) -> int:
        """Count the rows."""
        return len(self.counts)

    def take(self, order: Ints) -> "NegativeBinomial":
        """Return the same family with its rows in another order."""
        return NegativeBinomial(self.counts[order], None if self.exposure is None else self.exposure[order])

    def start(self) -> Floats:
        """Give a starting value for the log shape."""
        return np.zeros(1)

    def curve(self, predictor: Floats, shape: Floats, full: bool) -> Curve:
        """Evaluate each row."""
        size = clipped_exp(shape[0])
        eta = np.minimum(predictor + self.offset, LARGEST_PREDICTOR)
        mean = np.exp(eta)
        total = mean + size
        log_total = np.log(total)
        near, far = mean / total, size / total
        gamma = log_gamma_derivatives(np.append(self.sizes, 0.0) + size, 2)
        log_far = np.log(size) - log_total
        rise = (gamma[0][:-1] - gamma[0][-1])[self.which]
        value = self.constant - rise - size * log_far - self.counts * (eta - log_total)
        weight = (self.counts + size) * near
        first, second = weight - self.counts, weight * far
        if not full:
            return Curve(value, first, second)
        slope = (gamma[1][:-1] - gamma[1][-1])[self.which]
        by_value = -size * (slope + log_far + 1 - (self.counts + size) / total)
        by_first = size * (near - weight / total)
        by_second = size * (near * far + weight * (near - far) / total)
        by_shape = within_limits(shape[0], (by_value, by_first, by_second))
        return Curve(value, first, second, second * (far - near), by_shape)

    def natural_shape(self, shape: Floats) -> Floats:
        """Return the shape."""
        return np.array([clipped_exp(shape[0])])

    def notes(self, shape: Floats) -> tuple[str, ...]:
        """Say if every count is nought or the counts vary no more than Poisson."""
        notes = _all_nought(self.counts)
        if shape[0] >= LARGEST_LOG_SHAPE - 3:
            notes += (
                "no_overdispersion: counts vary no more than a Poisson model allows; the shape has no finite estimate",
            )
        return notes


def _offset(counts: Floats, exposure: Floats | None) -> Floats:
    """Check counts and exposures and return the log exposure."""
    if np.any(counts < 0) or not np.array_equal(counts, np.round(counts)):
        raise ValueError("count model: counts must be whole numbers, nought or more")
    if exposure is None:
        return np.zeros(len(counts))
    if len(exposure) != len(counts) or not np.all(exposure > 0):
        raise ValueError("count model: exposures must be positive, one for each count; leave out unwatched rows")
    return np.log(exposure)


def _all_nought(counts: Floats) -> tuple[str, ...]:
    """Say if there is no count above nought."""
    return () if counts.any() else ("no_variation: every count is nought, so no rate or effect has a finite estimate",)
