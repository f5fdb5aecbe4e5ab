"""Ordered classes: the cumulative logit with free thresholds, as a family of the Laplace mixed model.

P(class ≤ k) = logistic(threshold k - predictor) (McCullagh 1980, J. Royal Statistical Society B 42:109-142), so a
positive coefficient shifts towards higher classes. Classes carry order only: their numbers are never averaged. It
assumes proportional odds; it does not cover thresholds that depend on covariates.
"""

from dataclasses import dataclass, field

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.families import Curve, Link, logistic

# Gaps between thresholds, on the log scale, beyond which classes are empty or all there is.
SMALLEST_LOG_GAP, LARGEST_LOG_GAP = -36.0, 6.5


@dataclass(frozen=True)
class Ordered:
    """Rows in ordered classes; shape: first threshold, then logs of the gaps between thresholds.

    Attributes
    ----------
    classes : array of int, shape (n,)
        Class of each row; any integers in ascending order of meaning.
    levels : array of int
        The classes that occur. A class that nobody was seen in has no threshold of its own.
    """

    classes: Ints
    levels: Ints = field(init=False)
    codes: Ints = field(init=False, repr=False)

    def __post_init__(self) -> None:
        levels, codes = np.unique(self.classes, return_inverse=True)
        if len(levels) < 2:
            raise ValueError("ordered model: every row is in the same class; there is nothing to compare")
        object.__setattr__(self, "levels", levels)
        object.__setattr__(self, "codes", codes)

    @property
    def link(self) -> Link:
        """The cumulative logit."""
        return "ordered"

    @property
    def shape_names(self) -> tuple[str, ...]:
        """First threshold and log gaps."""
        return ("threshold 1", *(f"log gap {k}" for k in range(2, len(self.levels))))

    def rows(self) -> int:
        """Count the rows."""
        return len(self.classes)

    def take(self, order: Ints) -> "Ordered":
        """Return the same family with its rows in another order."""
        return Ordered(self.classes[order])

    def start(self) -> Floats:
        """Give starting values: the logits of the overall shares."""
        share = np.cumsum(np.bincount(self.codes))[:-1] / len(self.codes)
        thresholds = np.log(share / (1 - share))
        return np.concatenate([thresholds[:1], np.log(np.maximum(np.diff(thresholds), 1e-3))])

    def curve(self, predictor: Floats, shape: Floats, full: bool) -> Curve:
        """Evaluate each row.

        With A and B the logistic at the lower and upper end of the class and d the gap between its thresholds,
        the chance of the class is B (1 - A) (1 - exp(-d)); so all derivatives are those of single logistics.
        """
        thresholds = self.natural_shape(shape)
        ends = np.concatenate([[-np.inf], thresholds, [np.inf]])
        low, high = ends[self.codes] - predictor, ends[self.codes + 1] - predictor
        A, B = logistic(low), logistic(high)
        gaps = _gaps(shape)
        middle = np.concatenate([[0.0], np.log(-np.expm1(-gaps)), [0.0]])
        value = np.logaddexp(0, -high) + np.logaddexp(0, low) - middle[self.codes]
        spread_a, spread_b = A * (1 - A), B * (1 - B)
        first, second = 1 - B - A, spread_a + spread_b
        if not full:
            return Curve(value, first, second)
        skew_a, skew_b = spread_a * (1 - 2 * A), spread_b * (1 - 2 * B)
        push = np.concatenate([[0.0], 1 / np.expm1(gaps), [0.0]])[self.codes]
        by_high = (-(1 - B) - push, -spread_b, skew_b)
        by_low = (A + push, -spread_a, skew_a)
        return Curve(value, first, second, -(skew_a + skew_b), self._by_shape(shape, by_low, by_high))

    def _by_shape(
        self, shape: Floats, by_low: tuple[Floats, ...], by_high: tuple[Floats, ...]
    ) -> tuple[tuple[Floats, Floats, Floats], ...]:
        """Turn derivatives by the ends of each row's class into those by the shape parameters."""
        result = []
        for k in range(len(shape)):
            # parameter k moves thresholds k, k + 1, ...; the lower end of class c is threshold c - 1
            moved_high = (self.codes >= k) & (self.codes < len(shape))
            moved_low = self.codes > k
            factor = 1.0 if k == 0 else float(_gaps(shape)[k - 1])
            parts = [factor * (moved_high * h + moved_low * low) for low, h in zip(by_low, by_high, strict=True)]
            result.append((parts[0], parts[1], parts[2]))
        return tuple(result)

    def natural_shape(self, shape: Floats) -> Floats:
        """Return the thresholds, ascending, one fewer than the classes."""
        return np.cumsum(np.concatenate([shape[:1], _gaps(shape)]))

    def notes(self, shape: Floats) -> tuple[str, ...]:
        """Say if a class is hardly ever seen."""
        fewest = int(np.bincount(self.codes).min())
        return (f"rare_class: one class holds only {fewest} rows",) if fewest < 5 else ()


def _gaps(shape: Floats) -> Floats:
    """Return the gaps between neighbouring thresholds."""
    return np.exp(np.clip(shape[1:], SMALLEST_LOG_GAP, LARGEST_LOG_GAP))


def threshold_slopes(shape: Floats) -> Floats:
    """Return the derivatives of the thresholds (rows) by the shape parameters (columns)."""
    k = len(shape)
    factors = np.concatenate([[1.0], _gaps(shape)])
    return np.asarray(np.tril(np.ones((k, k))) * factors, dtype=np.float64)


def class_chances(predictor: Floats, thresholds: Floats) -> Floats:
    """Return each class's chance for each row, shape (n, classes)."""
    below = logistic(thresholds - predictor[:, None])
    ones = np.ones((len(predictor), 1))
    return np.asarray(np.diff(np.hstack([0 * ones, below, ones]), axis=1), dtype=np.float64)
