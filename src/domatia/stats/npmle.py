"""Survival curve of deaths known only to lie between two visits: non-parametric maximum likelihood.

Each individual gives an interval (left, right]: alive at `left`, dead by `right` (``inf`` if never found
dead; ``left == right`` if the moment is known exactly). The likelihood is the product of F(right) - F(left)
over individuals; only the mass inside each maximal intersection of the intervals matters, and how it is
spread inside one is not determined by the data (Turnbull 1976, J. R. Stat. Soc. B 38:290).

The masses are found by alternating expectation steps and iterative convex minorant steps (Wellner & Zhan
1997, JASA 92:945), each step linear in the number of intervals. The fit is certified: by concavity the
log-likelihood cannot be raised by more than `gap` = max over cells of its directional derivative minus the
total weight.

Not covered: late entry (left truncation), covariates. Pointwise intervals come from resampling whole
clusters; they are trustworthy where visits fall on shared dates, less so where inspection times vary
continuously, since the estimate then converges at the slow rate n^(1/3) (Groeneboom & Wellner 1992).
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import FEW_CLUSTERS, cluster_codes, two_sided_quantile

_GAP = 1e-9
_MOST_STEPS = 20_000
_STILL = 100


@dataclass(frozen=True, eq=False)
class Npmle:
    """A fitted curve.

    Attributes
    ----------
    left, right, mass : array (cells,)
        Cells (left, right] that hold probability, and how much; an exact time has left == right, and a last
        cell may end at ``inf``.
    log_likelihood : float
        At the estimate, with weights.
    gap : float
        Certified upper bound on how far the log-likelihood still lies below its maximum.
    iterations : int
        Steps taken.
    weight : float
        Total weight of the individuals (their number, if no weights were given).
    """

    left: Floats
    right: Floats
    mass: Floats
    log_likelihood: float
    gap: float
    iterations: int
    weight: float

    def survival_at(self, times: Floats) -> Floats:
        """Chance of being alive at `times`: a cell's mass counts once its right end is <= t.

        Within a cell this is the upper end of what the data allow; see `bounds_at`.
        """
        return self._alive(self.right, times)

    def bounds_at(self, times: Floats) -> tuple[Floats, Floats]:
        """Lowest and highest survival that fit equally well; they differ inside cells only."""
        t = np.asarray(times, dtype=np.float64)
        exact = self.left == self.right
        started = np.where(exact, self.left, np.nextafter(self.left, np.inf))
        return self._alive(started, t), self._alive(self.right, t)

    def steps(self) -> tuple[Floats, Floats]:
        """Give times and survival for drawing: from (0, 1), each drop at a cell's finite right end."""
        finite = np.isfinite(self.right)
        times = np.concatenate([[0.0], self.right[finite]])
        return times, np.clip(1.0 - np.concatenate([[0.0], np.cumsum(self.mass[finite])]), 0.0, 1.0)

    def _alive(self, ends: Floats, times: Floats) -> Floats:
        total = np.concatenate([[0.0], np.cumsum(self.mass)])
        spent = total[np.searchsorted(ends, np.asarray(times, dtype=np.float64), side="right")]
        return np.asarray(np.clip(1.0 - spent, 0.0, 1.0), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class NpmleBand:
    """Pointwise intervals of a curve.

    Attributes
    ----------
    times, estimate, low, high, se : array
        Survival at `times`, interval ends and bootstrap standard error; ends are nan with fewer than two
        clusters.
    clusters, draws : int
        Groups resampled, and how often.
    level : float
        Level of the intervals.
    text : str
        One plain sentence that says what was done.
    """

    times: Floats
    estimate: Floats
    low: Floats
    high: Floats
    se: Floats
    clusters: int
    draws: int
    level: float
    text: str


def npmle(left: Floats, right: Floats, weights: Floats | None = None) -> Npmle:
    """Fit the curve.

    Parameters
    ----------
    left, right : array (individuals,)
        Last time known alive and first time known dead (``inf``: never found dead), same unit of time.
    weights : array (individuals,), optional
        Non-negative; those of weight 0 are left out.

    Raises
    ------
    ValueError
        If an interval is reversed, not a number, negative or empty of information, or nothing is left.
    """
    lo, hi, w = _checked(left, right, weights)
    lo, hi, w, _ = _collapse(lo, hi, w)
    return _fit(lo, hi, w)


def npmle_band(
    left: Floats, right: Floats, cluster: Ints, times: Floats, rng: np.random.Generator, draws: int = 999
) -> NpmleBand:
    """Pointwise 95 % intervals from resampling whole clusters with replacement.

    Percentile intervals, widened for few clusters by taking more extreme percentiles: those that would turn
    a normal interval with divisor G into a t interval with G - 1 degrees of freedom (Hesterberg 2015, The
    American Statistician 69:371, section 5.2).

    Parameters
    ----------
    left, right, cluster : array (individuals,)
        Intervals, and the group each individual belongs to.
    times : array
        Where the curve is wanted.
    rng : numpy Generator
        The only source of chance.
    draws : int
        Number of resamples.
    """
    level = 0.95
    lo, hi, _ = _checked(left, right, None)
    t = np.asarray(times, dtype=np.float64)
    codes, groups = cluster_codes(cluster)
    found = npmle(lo, hi).survival_at(t)
    if groups < 2:
        nothing = np.full(t.shape, np.nan)
        text = "Only one group: no interval can be given for the curve."
        return NpmleBand(t, found, nothing, nothing, nothing, groups, 0, level, text)
    lo, hi, _, place = _collapse(lo, hi, np.ones(len(lo)))
    curves = np.empty((draws, len(t)))
    for d in range(draws):
        often = np.bincount(rng.integers(0, groups, groups), minlength=groups).astype(np.float64)
        w = _totals(place, often[codes], len(lo))
        kept = w > 0.0
        curves[d] = _fit(lo[kept], hi[kept], w[kept], enough=1e-5).survival_at(t)
    tail, text = _tail(groups, level, draws)
    low, high = np.quantile(curves, [tail, 1.0 - tail], axis=0)
    spread = curves.std(axis=0, ddof=1) * np.sqrt(groups / (groups - 1.0))
    low, high = np.minimum(low, found), np.maximum(high, found)
    return NpmleBand(t, found, low, high, spread, groups, draws, level, text)


def _tail(groups: int, level: float, draws: int) -> tuple[float, str]:
    from scipy import special

    text = f"Pointwise intervals from resampling {groups} groups {draws} times"
    if groups >= FEW_CLUSTERS:
        return (1.0 - level) / 2.0, text + ", percentiles."
    stretch = np.sqrt(groups / (groups - 1.0)) * two_sided_quantile(level, groups - 1.0)
    return float(special.ndtr(-stretch)), text + ", percentiles widened for few groups."


def _checked(left: Floats, right: Floats, weights: Floats | None) -> tuple[Floats, Floats, Floats]:
    lo, hi = np.asarray(left, dtype=np.float64).ravel(), np.asarray(right, dtype=np.float64).ravel()
    w = np.ones(len(lo)) if weights is None else np.asarray(weights, dtype=np.float64).ravel()
    if not len(lo) == len(hi) == len(w):
        raise ValueError(f"lengths differ: {len(lo)} left, {len(hi)} right, {len(w)} weights")
    if np.isnan(lo).any() or np.isnan(hi).any() or np.isinf(lo).any():
        raise ValueError("an end of an interval is not a number; use inf on the right for never found dead")
    if (lo < 0.0).any() or (hi < lo).any():
        count = int(((lo < 0.0) | (hi < lo)).sum())
        raise ValueError(f"{count} intervals are negative or end before they begin")
    if not (w >= 0.0).all() or not np.isfinite(w).all():
        raise ValueError("weights must be finite and not negative")
    kept = w > 0.0
    if not kept.any():
        raise ValueError("no interval with a weight above zero; a curve needs at least one individual")
    return lo[kept], hi[kept], w[kept]


def _collapse(lo: Floats, hi: Floats, w: Floats) -> tuple[Floats, Floats, Floats, Ints]:
    """Equal intervals become one with their summed weight; also the place each individual went to."""
    order = np.lexsort((hi, lo))
    a, b = lo[order], hi[order]
    new = np.concatenate([[True], (a[1:] != a[:-1]) | (b[1:] != b[:-1])])
    place = np.empty(len(lo), dtype=np.int64)
    place[order] = np.cumsum(new) - 1
    return a[new], b[new], _totals(place, w, int(new.sum())), place


def _totals(place: Ints, values: Floats, length: int) -> Floats:
    return np.asarray(np.bincount(place, weights=values, minlength=length), dtype=np.float64)


def _cells(lo: Floats, hi: Floats) -> tuple[Floats, Floats, Ints, Ints]:
    """Maximal intersections, and for each interval the half-open range of cells that it covers.

    Ends are ranked so that at one value an exact time begins, closed right ends follow, open left ends come
    last.
    """
    values, rank = np.unique(np.concatenate([lo, hi]), return_inverse=True)
    rank = rank.ravel().astype(np.int64)
    begin = 3 * rank[: len(lo)] + np.where(lo == hi, 0, 2)
    end = 3 * rank[len(lo) :] + 1
    keys = np.unique(np.concatenate([begin, end]))
    opens = np.isin(keys, begin)
    at = np.flatnonzero(opens[:-1] & ~opens[1:])
    first, last = keys[at], keys[at + 1]
    return (
        values[first // 3],
        values[last // 3],
        np.searchsorted(first, begin, side="left").astype(np.int64),
        np.searchsorted(last, end, side="right").astype(np.int64),
    )


class _Ladder:
    """Log-likelihood and its derivatives in terms of the cumulative mass at the cells' right ends."""

    def __init__(self, a: Ints, b: Ints, w: Floats, cells: int) -> None:
        from scipy import optimize

        self.isotonic = optimize.isotonic_regression
        self.a, self.b, self.w, self.cells = a, b, w, cells
        self.total = float(w.sum())

    def covered(self, F: Floats) -> Floats:
        ends = np.concatenate([[0.0], F])
        return np.asarray(np.maximum(ends[self.b] - ends[self.a], 1e-300), dtype=np.float64)

    def _at_ends(self, v: Floats) -> tuple[Floats, Floats]:
        return _totals(self.a, v, self.cells + 1), _totals(self.b, v, self.cells + 1)

    def slope(self, covered: Floats) -> Floats:
        """Differentiate the log-likelihood by each cell's mass."""
        starts, stops = self._at_ends(self.w / covered)
        return np.asarray(np.cumsum(starts - stops)[: self.cells], dtype=np.float64)

    def minorant(self, F: Floats, covered: Floats) -> Floats:
        """Aim of the weighted isotonic step on the inner cumulative masses."""
        pull = self.w / covered
        starts, stops = self._at_ends(pull)
        starts2, stops2 = self._at_ends(pull / covered)
        curvature = (starts2 + stops2)[1 : self.cells]
        wanted = F[:-1] + (stops - starts)[1 : self.cells] / curvature
        fitted = self.isotonic(wanted, weights=curvature)
        return np.asarray(np.minimum(np.maximum(fitted.x, 0.0), 1.0), dtype=np.float64)


def _fit(lo: Floats, hi: Floats, w: Floats, enough: float = _GAP) -> Npmle:
    left, right, a, b = _cells(lo, hi)
    ladder = _Ladder(a, b, w, len(left))
    mass = np.full(len(left), 1.0 / len(left))
    covered = ladder.covered(np.cumsum(mass))
    gap, step, best, still = np.inf, 0, -np.inf, 0
    enough = max(enough, 1e-15 * ladder.total * len(left))
    while step < _MOST_STEPS:
        slope = ladder.slope(covered)
        gap = float(slope.max()) - ladder.total
        # rounding bounds what can be certified: stop also when nothing moves any more
        if gap < enough or still > _STILL:
            break
        step += 1
        F = np.cumsum(mass * slope)
        F /= F[-1]
        F, covered, now = _minorant_step(ladder, F)
        mass = np.concatenate([F[:1], F[1:] - F[:-1]])
        still = still + 1 if now <= best else 0
        best = max(best, now)
    held = mass > 1e-12
    likelihood = float(w @ np.log(covered))
    return Npmle(left[held], right[held], mass[held], likelihood, max(gap, 0.0), step, ladder.total)


def _minorant_step(ladder: _Ladder, F: Floats) -> tuple[Floats, Floats, float]:
    """Move towards the isotonic aim, by half as much until the likelihood does not fall."""
    covered = ladder.covered(F)
    now = float(ladder.w @ np.log(covered))
    if ladder.cells == 1:
        return F, covered, now
    move = np.append(ladder.minorant(F, covered) - F[:-1], 0.0)
    for _ in range(12):
        trial = F + move
        there = ladder.covered(trial)
        value = float(ladder.w @ np.log(there))
        if value >= now:
            return trial, there, value
        move /= 2.0
    return F, covered, now
