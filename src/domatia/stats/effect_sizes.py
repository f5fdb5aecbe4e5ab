"""Effects of single studies on a scale on which they can be pooled, with their sampling variances.

Sources
-------
Hedges, Gurevitch & Curtis 1999, Ecology 80:1150 (log response ratio); Lajeunesse 2011, Ecology 92:2049 (effects that
share a control); Woolf 1955, Ann. Hum. Genet. 19:251 (log odds ratio).
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from domatia.stats.arrays import Bools, Floats


@dataclass(frozen=True, eq=False)
class Sized:
    """Effects and their sampling variances; `nan` where the values do not allow one.

    Attributes
    ----------
    effect, variance : array (n,)
    shared : array (n,)
        The part of the variance that comes from the control: the covariance of two effects that share it.
    """

    effect: Floats
    variance: Floats
    shared: Floats


def log_response_ratio(mean: tuple[Floats, Floats], sd: tuple[Floats, Floats], n: tuple[Floats, Floats]) -> Sized:
    """Give ln(treated mean / control mean).

    Parameters
    ----------
    mean, sd, n : pair of arrays (n,)
        Treated first, then control. An effect needs two means above 0, and standard deviations that are not both 0.
    """
    (m1, m2), (s1, s2), (n1, n2) = (tuple(np.asarray(a, np.float64) for a in pair) for pair in (mean, sd, n))
    with np.errstate(divide="ignore", invalid="ignore"):
        own, control = s1**2 / (n1 * m1**2), s2**2 / (n2 * m2**2)
        effect = np.log(m1 / m2)
    allowed = (m1 > 0) & (m2 > 0) & (own + control > 0) & (n1 > 0) & (n2 > 0)
    return _kept(effect, own + control, control, allowed)


def mean_difference(mean: tuple[Floats, Floats], sd: tuple[Floats, Floats], n: tuple[Floats, Floats]) -> Sized:
    """Give treated mean minus control mean; arguments as for `log_response_ratio`, means of any sign."""
    (m1, m2), (s1, s2), (n1, n2) = (tuple(np.asarray(a, np.float64) for a in pair) for pair in (mean, sd, n))
    with np.errstate(divide="ignore", invalid="ignore"):
        own, control = s1**2 / n1, s2**2 / n2
    return _kept(m1 - m2, own + control, control, (own + control > 0) & (n1 > 0) & (n2 > 0))


def log_odds_ratio(events: tuple[Floats, Floats], n: tuple[Floats, Floats]) -> Sized:
    """Give the log odds ratio of treated against control.

    Parameters
    ----------
    events, n : pair of arrays (n,)
        Events and numbers, treated first. Half an event is added to all four cells of a study where one is 0 (common
        practice, no source); a study without any event, or with nothing but events, gives none.
    """
    (e1, e2), (n1, n2) = (tuple(np.asarray(a, np.float64) for a in pair) for pair in (events, n))
    cells = np.array([e1, n1 - e1, e2, n2 - e2])
    allowed = (cells.min(axis=0) >= 0) & (e1 + e2 > 0) & (e1 + e2 < n1 + n2) & (n1 > 0) & (n2 > 0)
    cells = cells + 0.5 * (cells.min(axis=0) == 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        effect = np.log(cells[0] * cells[3] / (cells[1] * cells[2]))
        own, control = (1 / cells[:2]).sum(axis=0), (1 / cells[2:]).sum(axis=0)
    return _kept(effect, own + control, control, allowed)


def log_risk_ratio(events: tuple[Floats, Floats], n: tuple[Floats, Floats]) -> Sized:
    """Give the log ratio of two risks (Katz et al. 1978, Biometrics 34:469); arguments as for `log_odds_ratio`."""
    (e1, e2), (n1, n2) = (tuple(np.asarray(a, np.float64) for a in pair) for pair in (events, n))
    add = 0.5 * ((e1 == 0) | (e2 == 0))
    with np.errstate(divide="ignore", invalid="ignore"):
        effect = np.log((e1 + add) / (n1 + add) / ((e2 + add) / (n2 + add)))
        own, control = 1 / (e1 + add) - 1 / (n1 + add), 1 / (e2 + add) - 1 / (n2 + add)
    return _kept(effect, own + control, control, (e1 + e2 > 0) & (e1 <= n1) & (e2 <= n2) & (own + control > 0))


def from_interval(low: Floats, high: Floats, level: Floats | float = 0.95) -> Floats:
    """Give the standard error that a printed interval implies, on the scale on which it is symmetric.

    Parameters
    ----------
    low, high : array (n,)
        Ends of a normal interval; for a ratio, their logarithms.
    level : array or float
    """
    return (np.asarray(high, np.float64) - np.asarray(low, np.float64)) / (2 * ndtri(0.5 + np.asarray(level) / 2))


def _kept(effect: Floats, variance: Floats, shared: Floats, allowed: Bools) -> Sized:
    good = allowed & np.isfinite(effect) & np.isfinite(variance)
    return Sized(*(np.where(good, a, np.nan) for a in (effect, variance, shared)))
