"""Response distributions for the Laplace mixed model, each with the derivatives that it needs.

All have the logit link for the mean m of a proportion. Binomial: successes out of trials. Beta-binomial: the
chance of success varies between rows by a beta distribution with mean m and precision f, so a row's variance is
n m (1 - m) (1 + (n - 1) / (f + 1)) (Skellam 1948, J. Royal Statistical Society B 10:257-261). Beta: a proportion
strictly between 0 and 1 with variance m (1 - m) / (f + 1) (Ferrari & Cribari-Neto 2004, J. Applied Statistics
31:799-815).
The ordered family is in `domatia.stats.ordered`.
"""

from dataclasses import dataclass, field
from typing import Literal, Protocol, Self

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.gamma_functions import log_gamma_derivatives

# A precision beyond e^13 cannot be told from none: the distribution is binomial, or a point.
LARGEST_LOG_PRECISION = 13.0
SMALLEST_LOG_PRECISION = -8.0

Link = Literal["identity", "log", "logit", "ordered"]


@dataclass(frozen=True)
class Curve:
    """Minus log-likelihood of each row with its derivatives by the linear predictor.

    Attributes
    ----------
    value, first, second : array, shape (n,)
    third : array, shape (n,), or None
        Only where asked.
    by_shape : tuple of (array, array, array)
        For each shape parameter the derivative of value, first and second by it.
    """

    value: Floats
    first: Floats
    second: Floats
    third: Floats | None = None
    by_shape: tuple[tuple[Floats, Floats, Floats], ...] = ()


class Family(Protocol):
    """What a distribution must offer to the Laplace approximation."""

    @property
    def link(self) -> Link:
        """How the linear predictor becomes the expected response."""
        ...

    @property
    def shape_names(self) -> tuple[str, ...]:
        """Names of the shape parameters on their working scale."""
        ...

    def rows(self) -> int:
        """Count the rows."""
        ...

    def take(self, order: Ints) -> Self:
        """Return the same family with its rows in another order."""
        ...

    def start(self) -> Floats:
        """Give starting values for the shape parameters."""
        ...

    def curve(self, predictor: Floats, shape: Floats, full: bool) -> Curve:
        """Evaluate each row; with third and shape derivatives if `full`."""
        ...

    def natural_shape(self, shape: Floats) -> Floats:
        """Turn shape parameters from the working to the natural scale."""
        ...

    def notes(self, shape: Floats) -> tuple[str, ...]:
        """Say what is odd about the responses or the fitted shape."""
        ...


def logistic(x: Floats) -> Floats:
    """Return 1 / (1 + exp(-x)) without overflow."""
    from scipy.special import expit

    result: Floats = expit(x)
    return result


def _logistic_slopes(predictor: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the mean and its first three derivatives by the predictor."""
    mean = logistic(predictor)
    slope = mean * (1 - mean)
    return mean, slope, slope * (1 - 2 * mean), slope * (1 - 6 * slope)


@dataclass(frozen=True)
class Binomial:
    """Successes out of trials; no shape parameter."""

    successes: Floats
    trials: Floats
    constant: Floats = field(init=False, repr=False)

    def __post_init__(self) -> None:
        _check_counts(self.successes, self.trials)
        object.__setattr__(self, "constant", _log_choose(self.successes, self.trials))

    @property
    def link(self) -> Link:
        """The logit link."""
        return "logit"

    @property
    def shape_names(self) -> tuple[str, ...]:
        """No shape parameter."""
        return ()

    def rows(self) -> int:
        """Count the rows."""
        return len(self.successes)

    def take(self, order: Ints) -> "Binomial":
        """Return the same family with its rows in another order."""
        return Binomial(self.successes[order], self.trials[order])

    def start(self) -> Floats:
        """Give starting values for the shape parameters: none."""
        return np.zeros(0)

    def curve(self, predictor: Floats, shape: Floats, full: bool) -> Curve:
        """Evaluate each row."""
        mean = logistic(predictor)
        value = self.trials * np.logaddexp(0, predictor) - self.successes * predictor - self.constant
        second = self.trials * mean * (1 - mean)
        third = second * (1 - 2 * mean) if full else None
        return Curve(value, self.trials * mean - self.successes, second, third)

    def natural_shape(self, shape: Floats) -> Floats:
        """Return no shape."""
        return shape

    def notes(self, shape: Floats) -> tuple[str, ...]:
        """Say if every row has the same outcome."""
        return _one_sided(self.successes, self.trials)


@dataclass(frozen=True)
class BetaBinomial:
    """Successes out of trials with extra variation between rows; shape: log precision."""

    successes: Floats
    trials: Floats
    constant: Floats = field(init=False, repr=False)
    sizes: Floats = field(init=False, repr=False)
    which: Ints = field(init=False, repr=False)

    def __post_init__(self) -> None:
        _check_counts(self.successes, self.trials)
        object.__setattr__(self, "constant", _log_choose(self.successes, self.trials))
        sizes, which = np.unique(self.trials, return_inverse=True)
        object.__setattr__(self, "sizes", sizes)
        object.__setattr__(self, "which", which)

    @property
    def link(self) -> Link:
        """The logit link."""
        return "logit"

    @property
    def shape_names(self) -> tuple[str, ...]:
        """Log of the precision f."""
        return ("log precision",)

    def rows(self) -> int:
        """Count the rows."""
        return len(self.successes)

    def take(self, order: Ints) -> "BetaBinomial":
        """Return the same family with its rows in another order."""
        return BetaBinomial(self.successes[order], self.trials[order])

    def start(self) -> Floats:
        """Give a starting value for the log precision."""
        return np.array([1.0])

    def curve(self, predictor: Floats, shape: Floats, full: bool) -> Curve:
        """Evaluate each row."""
        f = clipped_exp(shape[0])
        m, m1, m2, m3 = _logistic_slopes(predictor)
        order = 3 if full else 2
        up = _rises(m * f, self.successes, order)
        down = _rises((1 - m) * f, self.trials - self.successes, order)
        every = [part[self.which] for part in _rises(np.full(1, f), self.sizes, 2)]
        g = f * (up[1] - down[1])
        h = f * f * (up[2] + down[2])
        value = every[0] - up[0] - down[0] - self.constant
        first, second = -g * m1, -(h * m1 * m1 + g * m2)
        if not full:
            return Curve(value, first, second)
        t = f**3 * (up[3] - down[3])
        third = -(t * m1**3 + 3 * h * m1 * m2 + g * m3)
        by_value = f * (every[1] - m * up[1] - (1 - m) * down[1])
        by_g = g + f * f * (m * up[2] - (1 - m) * down[2])
        by_h = 2 * h + f**3 * (m * up[3] + (1 - m) * down[3])
        by_shape = within_limits(shape[0], (by_value, -by_g * m1, -(by_h * m1 * m1 + by_g * m2)))
        return Curve(value, first, second, third, by_shape)

    def natural_shape(self, shape: Floats) -> Floats:
        """Return the precision f."""
        return np.array([clipped_exp(shape[0])])

    def notes(self, shape: Floats) -> tuple[str, ...]:
        """Say if every row has the same outcome or varies no more than a binomial one."""
        return (*_one_sided(self.successes, self.trials), *_limits(shape[0]))


@dataclass(frozen=True)
class Beta:
    """A proportion strictly between 0 and 1; shape: log precision."""

    proportion: Floats

    def __post_init__(self) -> None:
        y = self.proportion
        if not np.all((y > 0) & (y < 1)):
            count = int(np.sum(~((y > 0) & (y < 1))))
            raise ValueError(
                f"beta model: {count} proportions are not strictly between 0 and 1; "
                "use an ordered or beta-binomial model for them, or leave them out and say so"
            )

    @property
    def link(self) -> Link:
        """The logit link."""
        return "logit"

    @property
    def shape_names(self) -> tuple[str, ...]:
        """Log of the precision f."""
        return ("log precision",)

    def rows(self) -> int:
        """Count the rows."""
        return len(self.proportion)

    def take(self, order: Ints) -> "Beta":
        """Return the same family with its rows in another order."""
        return Beta(self.proportion[order])

    def start(self) -> Floats:
        """Give a starting value for the log precision."""
        return np.array([1.0])

    def curve(self, predictor: Floats, shape: Floats, full: bool) -> Curve:
        """Evaluate each row."""
        f = clipped_exp(shape[0])
        m, m1, m2, m3 = _logistic_slopes(predictor)
        order = 3 if full else 2
        up, down = log_gamma_derivatives(m * f, order), log_gamma_derivatives((1 - m) * f, order)
        whole = log_gamma_derivatives(np.array([f]), 2)
        log_y, log_rest = np.log(self.proportion), np.log1p(-self.proportion)
        gap = log_y - log_rest - up[1] + down[1]
        g = f * gap
        h = -f * f * (up[2] + down[2])
        value = up[0] + down[0] - whole[0] - (m * f - 1) * log_y - ((1 - m) * f - 1) * log_rest
        first, second = -g * m1, -(h * m1 * m1 + g * m2)
        if not full:
            return Curve(value, first, second)
        t = -(f**3) * (up[3] - down[3])
        third = -(t * m1**3 + 3 * h * m1 * m2 + g * m3)
        by_value = -f * (whole[1] + m * (log_y - up[1]) + (1 - m) * (log_rest - down[1]))
        by_g = g + f * f * (-m * up[2] + (1 - m) * down[2])
        by_h = 2 * h - f**3 * (m * up[3] + (1 - m) * down[3])
        by_shape = within_limits(shape[0], (by_value, -by_g * m1, -(by_h * m1 * m1 + by_g * m2)))
        return Curve(value, first, second, third, by_shape)

    def natural_shape(self, shape: Floats) -> Floats:
        """Return the precision f."""
        return np.array([clipped_exp(shape[0])])

    def notes(self, shape: Floats) -> tuple[str, ...]:
        """Say if the proportions hardly vary about their mean."""
        return _limits(shape[0])


def clipped_exp(log_precision: float) -> float:
    """Return the precision (or shape), held between the limits that can be told from none or everything."""
    return float(np.exp(np.clip(log_precision, SMALLEST_LOG_PRECISION, LARGEST_LOG_PRECISION)))


def within_limits(
    log_precision: float, slopes: tuple[Floats, Floats, Floats]
) -> tuple[tuple[Floats, Floats, Floats], ...]:
    """Return the slopes by the log precision, nought beyond its limits."""
    inside = float(SMALLEST_LOG_PRECISION < log_precision < LARGEST_LOG_PRECISION)
    return ((inside * slopes[0], inside * slopes[1], inside * slopes[2]),)


def _rises(a: Floats, counts: Floats, order: int) -> list[Floats]:
    """Return log(Γ(a + k) / Γ(a)) and its derivatives by a."""
    above, below = log_gamma_derivatives(a + counts, order), log_gamma_derivatives(a, order)
    return [high - low for high, low in zip(above, below, strict=True)]


def _log_choose(successes: Floats, trials: Floats) -> Floats:
    """Return the logarithm of the binomial coefficients."""
    from scipy.special import gammaln

    result: Floats = gammaln(trials + 1) - gammaln(successes + 1) - gammaln(trials - successes + 1)
    return result


def _check_counts(successes: Floats, trials: Floats) -> None:
    """Refuse successes that are not whole numbers between nought and the trials."""
    if len(successes) != len(trials):
        raise ValueError(f"proportion model: {len(successes)} rows of successes but {len(trials)} of trials")
    whole = np.array_equal(successes, np.round(successes)) and np.array_equal(trials, np.round(trials))
    if not whole or np.any(successes < 0) or np.any(successes > trials):
        raise ValueError("proportion model: successes must be whole numbers between 0 and the number of trials")


def _one_sided(successes: Floats, trials: Floats) -> tuple[str, ...]:
    """Say if every trial succeeded or every one failed."""
    if not successes.any() or np.array_equal(successes, trials):
        return ("no_variation: every trial had the same outcome, so neither mean nor effects have finite estimates",)
    return ()


def _limits(log_precision: float) -> tuple[str, ...]:
    """Say if the precision lies at a limit."""
    if log_precision >= LARGEST_LOG_PRECISION - 3:
        return ("no_overdispersion: rows vary no more than chance allows; the precision has no finite estimate",)
    if log_precision <= SMALLEST_LOG_PRECISION + 1:
        return ("all_or_nothing: rows are nearly all at one end or the other; the precision lies at its limit",)
    return ()
