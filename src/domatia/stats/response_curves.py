"""What smooth curves of a multinomial logit say: where a kind is commonest, over how wide a range, which overlap.

A kind's curve p_k(x) is the share of places at x that it holds. Divided by its sum over an even grid it is the
distribution q_k that would be seen if places were equally common at every x: corrected for what is available.

Optimum: the x of the highest share within the range; at either end it was not reached. Its interval holds every x at
which the slope of log p_k does not differ from nought, between the outermost such x (inverting the test of a slope;
Fieller 1954, J. R. Stat. Soc. B 16:175-185, is its best known case); where an end of the range is among them, there
is no bound on that side. Breadth: the length of the range that holds the middle part (80 %) of q_k. Mean: that of
q_k. Overlap of q_k and q_j: `domatia.stats.overlap`. Mean and breadth have delta-method intervals. Chance alone pulls
the overlap of equal curves below 1: its interval, on the log of one less overlap, is the wider of the delta method's
and the basic one from coefficients drawn about those found (Davison & Hinkley 1997, Bootstrap Methods, section 5.2),
and it reaches 1 where the curves do not differ in shape by Hotelling's T2 (Hotelling 1931, Ann. Math. Stat.
2:360-378).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats
from domatia.stats.clustering import Estimate, two_sided_quantile
from domatia.stats.multinomial import Multinomial
from domatia.stats.natural_spline import NaturalSpline
from domatia.stats.overlap import Index, overlaps

MIDDLE = 0.80
_DRAWS = 600
_NEXT_TO_ONE = 1e-9
_SAME = 0.01
"""Two curves may be of one shape unless chance gives such a difference less often; 0.05 missed one truth in ten."""


@dataclass(frozen=True)
class Optimum:
    """Where the share of a kind is highest.

    Attributes
    ----------
    at : float
    low, high : float
        Infinite where an end of the range is not excluded.
    reached : {"inside", "low end", "high end"}
    """

    at: float
    low: float
    high: float
    reached: str


@dataclass(frozen=True, eq=False)
class ResponseCurves:
    """Fitted curves over an even grid.

    Attributes
    ----------
    fit : Multinomial
        With columns of `spline`.
    spline : NaturalSpline
    grid : array
        Ascending, evenly spaced.
    """

    fit: Multinomial
    spline: NaturalSpline
    grid: Floats

    def share(self, kind: int, x: Floats) -> Estimate:
        """Give the share of a kind at any x, with its interval on the log(-log) scale."""
        X = self.spline.columns(x)
        chance = self.fit.chances(X)[:, kind]
        return self.fit.uncertainty.log_log(chance, chance[:, None] * self.fit.log_gradient(X, kind))

    def share_difference(self, kind: int, of: float, against: float) -> Estimate:
        """Give the share of a kind at one x less that at another, arrays (1,)."""
        X = self.spline.columns(np.array([of, against]))
        chance = self.fit.chances(X)[:, kind]
        gradient = chance[:, None] * self.fit.log_gradient(X, kind)
        return self.fit.uncertainty.linear(chance[:1] - chance[1:], gradient[:1] - gradient[1:])

    def optimum(self, kind: int) -> Optimum:
        """Give where the share of a kind is highest."""
        chance = self.fit.chances(self.spline.columns(self.grid))[:, kind]
        best = int(np.argmax(chance))
        one = self._log_slope(kind)
        level = (np.abs(one.estimate) <= self.fit.uncertainty.quantile * one.se) | (np.arange(len(chance)) == best)
        where = np.flatnonzero(level)
        low = float(self.grid[where[0]]) if where[0] > 0 else -np.inf
        high = float(self.grid[where[-1]]) if where[-1] < len(chance) - 1 else np.inf
        reached = "low end" if best == 0 else "high end" if best == len(chance) - 1 else "inside"
        return Optimum(float(self.grid[best]), low, high, reached)

    def _log_slope(self, kind: int) -> Estimate:
        """Give the slope of the log share over the grid."""
        X, D = self.spline.columns(self.grid), self.spline.slopes(self.grid)
        chance, b = self.fit.chances(X)[:, 1:], self.fit.coefficients
        steep = D @ b.T
        mean = (chance * steep).sum(axis=1, keepdims=True)
        own = np.zeros(len(b) + 1)
        own[kind] = 1.0
        value = np.column_stack([np.zeros(len(X)), steep])[:, kind] - mean[:, 0]
        by_slope = (own[1:] - chance)[:, :, None] * D[:, None, :]
        by_share = (chance * (steep - mean))[:, :, None] * X[:, None, :]
        return self.fit.uncertainty.linear(value, (by_slope - by_share).reshape(len(X), -1))

    def used(self, kind: int) -> tuple[Floats, Floats]:
        """Give the distribution of a kind over the grid, corrected for what is available, and its gradient."""
        X = self.spline.columns(self.grid)
        chance = self.fit.chances(X)[:, kind]
        q, steep = chance / chance.sum(), self.fit.log_gradient(X, kind)
        return q, q[:, None] * (steep - q @ steep)

    def mean(self, kind: int) -> Estimate:
        """Give the mean x of a kind, corrected for what is available, arrays (1,)."""
        q, gradient = self.used(kind)
        return self.fit.uncertainty.linear(np.atleast_1d(q @ self.grid), (self.grid @ gradient)[None])

    def breadth(self, kind: int) -> Estimate:
        """Give the length of the range that holds the middle part of a kind, arrays (1,)."""
        q, gradient = self.used(kind)
        step = self.grid[1] - self.grid[0]
        edges = np.append(self.grid - step / 2, self.grid[-1] + step / 2)
        whole, steep = np.append(0.0, q.cumsum()), np.vstack([np.zeros(gradient.shape[1]), gradient.cumsum(axis=0)])
        ends, moves = [], []
        for part in ((1.0 - MIDDLE) / 2.0, (1.0 + MIDDLE) / 2.0):
            end = float(np.interp(part, whole, edges))
            i = min(int((end - edges[0]) / step), len(q) - 1)
            lies = (end - edges[i]) / step
            slope = steep[i] * (1.0 - lies) + steep[i + 1] * lies
            ends.append(end)
            moves.append(-slope * step / q[i])
        return self.fit.uncertainty.linear(np.array([ends[1] - ends[0]]), (moves[1] - moves[0])[None])

    def same_shape(self, one: int, other: int) -> float:
        """Give p of the curves of two kinds being of one shape (their log ratio not depending on x)."""
        from scipy import special

        b, uncertainty = self.fit.coefficients, self.fit.uncertainty
        shape = np.vstack([np.zeros(b.shape[1]), b])
        gap = (shape[one] - shape[other])[1:]
        moves = np.zeros((len(gap), *b.shape))
        for sign, kind in ((1.0, one), (-1.0, other)):
            if kind > 0:
                moves[np.arange(len(gap)), kind - 1, np.arange(1, b.shape[1])] = sign
        moves = moves.reshape(len(gap), -1)
        square = float(gap @ np.linalg.pinv(moves @ uncertainty.covariance @ moves.T, hermitian=True) @ gap)
        r, df = len(gap), uncertainty.df
        if not np.isfinite(df):
            return float(special.chdtrc(r, square))
        rest = max(df - r + 1.0, 1.0)
        return float(special.fdtrc(r, rest, square * rest / (df * r)))

    def overlap(self, pairs: Sequence[tuple[int, int]], index: Index, rng: np.random.Generator) -> Estimate:
        """Give the overlap of pairs of kinds, corrected for what is available and for chance, arrays (pairs,).

        Doubt in the curves makes them differ, which pulls the overlap down: coefficients drawn about those found show
        by how much, and the estimate is moved back by as much (on the log of one less overlap).
        """
        one, other = np.array(pairs).T
        used = [self.used(k) for k in range(len(self.fit.coefficients) + 1)]
        value = overlaps(np.stack([q for q, _ in used]), index)[one, other]
        steep = [_overlap_gradient(used[i][0], used[j][0], index, (used[i][1], used[j][1])) for i, j in pairs]
        doubt = self.fit.uncertainty
        plain = doubt.linear(value, np.stack(steep))
        apart = np.maximum(1.0 - value, _NEXT_TO_ONE)
        reach = np.exp(np.minimum(doubt.quantile * plain.se / apart, 50.0))
        moved = np.maximum(1.0 - self._overlaps_drawn(index, rng)[:, one, other], _NEXT_TO_ONE)
        tail = (1.0 - doubt.level) / 2.0
        low, middle, high = 1.0 - apart**2 / np.quantile(moved, [tail, 0.5, 1.0 - tail], axis=0)
        same = np.array([self.same_shape(i, j) for i, j in pairs]) > _SAME
        high = np.where(same, 1.0, np.maximum(high, 1.0 - apart / reach))
        low = np.maximum(np.minimum(low, 1.0 - apart * reach), 0.0)
        return Estimate(np.clip(middle, low, high), plain.se, low, high)

    def _overlaps_drawn(self, index: Index, rng: np.random.Generator) -> Floats:
        """Give the overlaps of all kinds with coefficients drawn about those found, (draws, kinds, kinds)."""
        fit, q = self.fit, self.fit.uncertainty
        values, vectors = np.linalg.eigh(q.covariance)
        wider = q.quantile / two_sided_quantile(q.level)
        root = vectors * np.sqrt(np.maximum(values, 0.0)) * wider
        half = rng.standard_normal((_DRAWS // 2, len(values)))
        b = fit.coefficients.ravel() + np.vstack([half, -half]) @ root.T
        X = self.spline.columns(self.grid)
        eta = np.einsum("xp,dkp->dkx", X, b.reshape(_DRAWS, *fit.coefficients.shape))
        eta = np.concatenate([np.zeros((_DRAWS, 1, len(X))), eta], axis=1)
        share = np.exp(eta - eta.max(axis=1, keepdims=True))
        share /= share.sum(axis=1, keepdims=True)
        used = share / share.sum(axis=2, keepdims=True)
        return np.stack([overlaps(one, index) for one in used])


def _overlap_gradient(p: Floats, q: Floats, index: Index, moves: tuple[Floats, Floats]) -> Floats:
    dp, dq = moves
    if index == "schoener":
        return np.asarray(-0.5 * np.sign(p - q) @ (dp - dq), dtype=np.float64)
    pp, qq, pq = p @ p, q @ q, p @ q
    cross = q @ dp + p @ dq
    if index == "pianka":
        root = np.sqrt(pp * qq)
        return np.asarray(cross / root - pq / root * (p @ dp / pp + q @ dq / qq), dtype=np.float64)
    return np.asarray(2.0 * cross / (pp + qq) - 4.0 * pq / (pp + qq) ** 2 * (p @ dp + q @ dq), dtype=np.float64)
