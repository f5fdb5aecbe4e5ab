"""Exact odds ratios of 2 x 2 tables, alone or one a block, given their margins.

Given the margins of a table ((a, b), (c, d)) the count a follows the non-central hypergeometric distribution

    P(a) proportional to C(a + b, a) C(c + d, c) psi^a,

where psi is the odds ratio. With one table a stratum (block), psi being the same in all, the sum of their a is
sufficient and follows the convolution of these distributions: blocks may then differ in how common the outcome is, by
any amount. The estimate is the conditional maximum-likelihood one; the interval holds every psi that neither tail
rejects at (1 - level) / 2; the two-sided p at psi = 1 sums the chances of all outcomes no likelier than the one seen.

Sources
-------
Fisher 1935, J. R. Stat. Soc. 98:39-82; Cornfield 1956, Proc. 3rd Berkeley Symp. 4:135-148 (interval); Gart 1970,
Biometrika 57:471-475 (several tables). Tail intervals hold their level or more, never less, where plants are
independent given their block; they are wide for small tables. Not covered: tables larger than 2 x 2, repeated looks at
one plant, odds ratios that differ between blocks.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats, Ints

_TIE = 1.0 + 1e-7
_FAR = 745.0


@dataclass(frozen=True)
class ExactOdds:
    """An odds ratio given the margins.

    Attributes
    ----------
    odds_ratio : float
        Conditional maximum-likelihood estimate; 0 or infinite where a cell of every table is empty.
    low, high : float
        Ends of the interval, 0 and infinite where there is none.
    p : float
        Two-sided, of no association.
    level : float
    """

    odds_ratio: float
    low: float
    high: float
    p: float
    level: float


@dataclass(frozen=True, eq=False)
class _Sum:
    """Distribution of the sum of the first cells: its values and their log chances at log odds ratio `tilt`."""

    values: Floats
    log_chance: Floats
    tilt: float

    def chances(self, log_odds: float) -> Floats:
        eta = self.log_chance + (log_odds - self.tilt) * self.values
        weight = np.exp(eta - eta.max())
        return np.asarray(weight / weight.sum(), dtype=np.float64)


def fisher_exact(table: Ints, level: float = 0.95) -> ExactOdds:
    """Give the conditional odds ratio of one table, its exact interval and Fisher's p.

    Parameters
    ----------
    table : array (2, 2)
        Numbers of plants, such as ((with, without) of one group, (with, without) of the other).
    level : float

    Raises
    ------
    ValueError
        If it is not a table of numbers of 0 or more, or a row or column of it is empty.
    """
    return stratified_exact(np.asarray(table)[None], level)


def stratified_exact(tables: Ints, level: float = 0.95) -> ExactOdds:
    """Give the common conditional odds ratio of several tables, its exact interval and p.

    Parameters
    ----------
    tables : array (strata, 2, 2)
        Tables with an empty row or column tell nothing and change nothing.
    level : float

    Raises
    ------
    ValueError
        If these are not tables of numbers of 0 or more, or no table has both rows and both columns filled.
    """
    t = _checked(tables, level)
    tilt = _start(t)
    seen = float(t[:, 0, 0].sum())
    around = _distribution(t, tilt)
    lowest, highest = around.values[0], around.values[-1]
    tail = (1.0 - level) / 2.0
    at = round(seen - lowest)

    def mean(log_odds: float) -> float:
        return float(around.chances(log_odds) @ around.values) - seen

    def above(log_odds: float) -> float:
        return float(around.chances(log_odds)[at:].sum()) - tail

    def below(log_odds: float) -> float:
        return tail - float(around.chances(log_odds)[: at + 1].sum())

    first, last = seen == lowest, seen == highest
    odds = 0.0 if first else np.inf if last else float(np.exp(_rising_root(mean, tilt)))
    low = 0.0 if first else float(np.exp(_rising_root(above, tilt)))
    high = np.inf if last else float(np.exp(_rising_root(below, tilt)))
    chance = _distribution(t, 0.0).chances(0.0)
    p = float(chance[chance <= chance[at] * _TIE].sum())
    return ExactOdds(odds, low, high, min(p, 1.0), level)


def _checked(tables: Ints, level: float) -> Floats:
    t = np.asarray(tables, dtype=np.float64)
    if t.ndim != 3 or t.shape[1:] != (2, 2):
        raise ValueError(f"tables of shape (strata, 2, 2) are needed, not {t.shape}")
    if not np.isfinite(t).all() or (t < 0.0).any() or (t != np.round(t)).any():
        raise ValueError("the cells of a table are whole numbers of 0 or more; take others out first")
    if not 0.0 < level < 1.0:
        raise ValueError(f"level {level} is not between 0 and 1; 0.95 is usual")
    telling = (t.sum(axis=1) > 0.0).all(axis=1) & (t.sum(axis=2) > 0.0).all(axis=1)
    if not telling.any():
        raise ValueError("every table has an empty row or column: there is nothing to compare")
    kept = t[telling]
    return np.asarray(kept[np.lexsort(kept.reshape(-1, 4).T)], dtype=np.float64)


def _start(t: Floats) -> float:
    """Log of the Mantel-Haenszel odds ratio with half a count added to each cell."""
    h = t + 0.5
    size = h.sum(axis=(1, 2))
    return float(np.log((h[:, 0, 0] * h[:, 1, 1] / size).sum() / (h[:, 0, 1] * h[:, 1, 0] / size).sum()))


def _distribution(t: Floats, tilt: float) -> _Sum:
    """Convolve the distributions of the strata at log odds ratio `tilt`, where none that matters underflows."""
    total: Floats = np.ones(1)
    lowest = 0.0
    if len(t) == 1:
        values, logs = _one(t[0], tilt)
        return _Sum(values, logs, tilt)
    for table in t:
        values, logs = _one(table, tilt)
        total = np.convolve(total, np.exp(logs))
        lowest += values[0]
    with np.errstate(divide="ignore"):
        return _Sum(lowest + np.arange(len(total), dtype=np.float64), np.log(total), tilt)


def _one(table: Floats, tilt: float) -> tuple[Floats, Floats]:
    from scipy.special import gammaln, logsumexp

    (a, b), (c, d) = table
    first, second, outcome = a + b, c + d, a + c
    values = np.arange(max(0.0, outcome - second), min(first, outcome) + 1.0)
    rest = outcome - values
    logs = -gammaln(values + 1) - gammaln(first - values + 1) - gammaln(rest + 1) - gammaln(second - rest + 1)
    logs = logs + tilt * values
    return values, np.asarray(logs - logsumexp(logs), dtype=np.float64)


def _rising_root(function: Callable[[float], float], start: float) -> float:
    """Find where a rising function of the log odds ratio is nought."""
    from scipy.optimize import brentq

    step, low, high = 1.0, start - 1.0, start + 1.0
    while function(low) > 0.0 and low > -_FAR:
        step *= 2.0
        low -= step
    step = 1.0
    while function(high) < 0.0 and high < _FAR:
        step *= 2.0
        high += step
    return float(brentq(function, low, high, xtol=1e-12, rtol=1e-14))


def median_unbiased(tables: Ints) -> float:
    """Give the odds ratio at which the sum of the first cells seen lies in the middle of its distribution.

    Finite and more than nought where one cell of every table is empty and the likelihood has no maximum: the median of
    the sum is then the one seen (Hirji, Tsiatis & Mehta 1989, Am. Stat. 43:7-11).

    Parameters
    ----------
    tables : array (strata, 2, 2)

    Raises
    ------
    ValueError
        As `stratified_exact`.
    """
    t = _checked(tables, 0.95)
    tilt = _start(t)
    around = _distribution(t, tilt)
    at = round(float(t[:, 0, 0].sum()) - float(around.values[0]))

    def above(log_odds: float) -> float:
        return float(around.chances(log_odds)[at:].sum()) - 0.5

    def below(log_odds: float) -> float:
        return 0.5 - float(around.chances(log_odds)[: at + 1].sum())

    last = len(around.values) - 1
    ends = [_rising_root(f, tilt) for f, fits in ((above, at > 0), (below, at < last)) if fits]
    return float(np.exp(np.mean(ends)))
