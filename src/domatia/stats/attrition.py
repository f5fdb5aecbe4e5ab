"""By which law do two groups wear each other down? The attrition exponent from the dead of both sides.

Model: fighting ability of a group of n workers is R n^theta. The next to die belongs to the second side with chance
1 / (1 + exp(-((theta - 1) log(m / n) + log(R1 / R2)))), m and n being the workers still alive. theta = 1 is
Lanchester's linear law (duels: numbers only replace the fallen), theta = 2 his square law (all can strike at once).
Fitted by the exact likelihood of the final losses, over all orders in which they could have come about
(`domatia.stats.attrition_lattice`).

Sources
-------
Lanchester 1916, Aircraft in Warfare, Constable, London; Franks & Partridge 1993, Animal Behaviour 45:197 (ants);
Adams & Mesterton-Gibbons 2003, Behavioral Ecology 14:719 (laws in between); Plowes & Adams 2005, Proc. R. Soc. B
272:1809 (a test with fire ants).

What it does not cover
----------------------
One fight's final losses cannot tell theta from R: that takes fights at different ratios of numbers (or the same ants
in both roles). Nor is the slope of win or lose on log ratio the exponent: under the linear law and equal strength it
grows with the size of the groups. Deaths are taken one after the other; fights that a side leaves because of its own
losses are taken as if they had ended by the clock.
"""

from dataclasses import dataclass
from math import comb

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.attrition_lattice import lattice
from domatia.stats.clustering import Estimate, Uncertainty, model_uncertainty
from domatia.stats.dyadic import dyadic_uncertainty
from domatia.stats.row_likelihood import Parts, RowLikelihood, fit_rows, ranked
from domatia.stats.row_order import canonical_order


@dataclass(frozen=True, eq=False)
class Attrition:
    """The fitted law.

    Attributes
    ----------
    exponent : Estimate
        theta, shape (1,).
    strengths : Estimate
        Log strength ratio for each column of the design.
    uncertainty : Uncertainty
        Of theta and the strengths together.
    log_likelihood : float
    held : tuple of int
        Parameters (0 is theta) without a bound, held by a weak prior.
    """

    exponent: Estimate
    strengths: Estimate
    uncertainty: Uncertainty
    log_likelihood: float
    held: tuple[int, ...]


class _Law(RowLikelihood):
    def __init__(self, counts: Ints, X: Floats) -> None:
        super().__init__(1 + X.shape[1])
        self.counts, self.X = counts, X

    def spread(self) -> Floats:
        ratio = np.abs(np.log(self.counts[:, 0] / self.counts[:, 1]))
        return np.append(max(float(ratio.max()), 0.3), np.abs(self.X).max(axis=0, initial=0.0))

    def rows(self, theta: Floats) -> Parts:
        value, slope, curve = lattice(self.counts, float(theta[0]), self.X @ theta[1:])
        scores = np.column_stack([slope[:, 0], slope[:, [1]] * self.X])
        information = np.empty((len(value), self.size, self.size))
        information[:, 0, 0] = -curve[:, 0]
        information[:, 0, 1:] = information[:, 1:, 0] = -curve[:, [1]] * self.X
        information[:, 1:, 1:] = -curve[:, 2][:, None, None] * self.X[:, :, None] * self.X[:, None, :]
        return value, scores, information


def told_apart(counts: Ints, X: Floats) -> bool:
    """Tell whether the fights can tell the exponent from the strengths in X.

    They cannot if the log ratio of workers at the beginning is a combination of the columns of X, as in one fight.
    Losses during the fights change the ratio a little, but that is no ground to stand on.
    """
    used = (counts[:, 2] + counts[:, 3]) > 0
    ratio = np.log(counts[used, 0] / counts[used, 1])
    return bool(used.any()) and ranked(np.column_stack([ratio, X[used]]))


def attrition(counts: Ints, X: Floats, sides: tuple[Ints, Ints] | None = None, *, level: float = 0.95) -> Attrition:
    """Fit exponent and strengths.

    Parameters
    ----------
    counts : array (fights, 4)
        Workers of the first and the second side, dead of the first and the second.
    X : array (fights, columns)
        First less second: kind of ant, home. May have no columns.
    sides : (array, array), optional
        Codes of the two colonies of each fight, for a sandwich over both.
    level : float

    Raises
    ------
    ValueError
        If counts are impossible, or the fights cannot tell the exponent from the strengths.
    """
    counts = np.asarray(counts, dtype=np.int64)
    if counts.ndim != 2 or counts.shape[1] != 4 or len(X) != len(counts) or not len(counts):
        raise ValueError("attrition needs workers and dead of both sides, one row a fight, and a row of x for each")
    if not possible(counts).all():
        raise ValueError("workers are at least 1, the dead no more than they, and not all of both sides can die")
    if not told_apart(counts, X):
        raise ValueError("these fights cannot tell the exponent from the strengths: their ratios are too alike")
    flip = counts[:, 0] < counts[:, 1]
    turned = np.where(flip[:, None], counts[:, [1, 0, 3, 2]], counts)
    design = np.where(flip[:, None], -X, X)
    ends = np.zeros((len(counts), 2), np.int64) if sides is None else np.sort(np.column_stack(sides), axis=1)
    order = canonical_order(turned, design, ends)
    fit = fit_rows(_Law(turned[order], np.ascontiguousarray(design[order])))
    doubt = model_uncertainty(fit.covariance, level)
    if sides is not None:
        pair = ends[order]
        doubt = dyadic_uncertainty(fit, pair[:, 0], pair[:, 1], level=level)
    every = np.eye(len(fit.theta))
    exponent = doubt.linear(1.0 + fit.theta[:1], every[:1])
    return Attrition(exponent, doubt.linear(fit.theta[1:], every[1:]), doubt, fit.log_likelihood, fit.held)


def possible(counts: Ints) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Tell of each fight whether its counts can be."""
    m, n, i, j = counts.T
    return np.asarray((m >= 1) & (n >= 1) & (i >= 0) & (j >= 0) & (i <= m) & (j <= n) & ((i < m) | (j < n)))


def one_law_strength(counts: Ints, exponent: float) -> float:
    """Log strength ratio that a single fight would show if the exponent were known; infinite if one side lost none.

    Raises
    ------
    ValueError
        If nobody died or the counts are impossible.
    """
    c = np.atleast_2d(np.asarray(counts, dtype=np.int64))
    if not possible(c).all() or c[0, 2] + c[0, 3] == 0:
        raise ValueError("a fight's strength ratio needs at least one death and no more dead than workers")
    if c[0, 2] == 0 or c[0, 3] == 0:
        return float("inf") if c[0, 2] == 0 else float("-inf")
    low, high = -50.0, 50.0
    for _ in range(80):
        middle = (low + high) / 2.0
        rises = lattice(c, exponent - 1.0, np.array([middle]))[1][0, 1] > 0.0
        low, high = (middle, high) if rises else (low, middle)
    return (low + high) / 2.0


def duel_chance(first: int, second: int, exponent: float, log_strength: float = 0.0) -> float:
    """Chance that the first side is the last to have anybody left, if they fight to the end.

    Raises
    ------
    ValueError
        If a side has nobody.
    """
    if first < 1 or second < 1:
        raise ValueError(f"both sides need workers; here {first} and {second}")
    n = np.arange(1, second + 1)
    won = np.zeros(second)
    for m in range(1, first + 1):
        w = 1.0 / (1.0 + np.exp(-((exponent - 1.0) * np.log(m / n) + log_strength)))
        before = 1.0
        for k in range(second):
            before = w[k] * before + (1.0 - w[k]) * won[k]
            won[k] = before
    return float(won[-1])


def linear_law_chance(first: int, second: int) -> float:
    """Chance that the first side wins under the linear law with equal strength, in closed form.

    The second side has lost all by the (first + second - 1)-th duel: a sum of binomial terms.
    """
    rounds = first + second - 1
    return float(sum(comb(rounds, k) for k in range(second, rounds + 1)) / 2**rounds)


def survivors(first: float, second: float, exponent: float, log_strength: float = 0.0) -> float:
    """Workers of the first side left when the second has none, without chance; nought if the first side loses.

    From ability R n^theta: (first^theta - second^theta / R)^(1 / theta).

    Raises
    ------
    ValueError
        If the exponent is not positive.
    """
    if exponent <= 0.0:
        raise ValueError(f"an exponent of {exponent} is not positive; 1 is the linear law, 2 the square law")
    left = first**exponent - second**exponent * float(np.exp(-log_strength))
    return float(left ** (1.0 / exponent)) if left > 0.0 else 0.0
