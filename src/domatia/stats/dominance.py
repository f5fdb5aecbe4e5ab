"""Who beats whom: strengths from wins, losses and ties, and a score that needs no model.

Davidson's model: the first side wins, ties or loses with chances in the ratio e^(d/2) : nu : e^(-d/2), where d is its
log strength less that of the second. Given a winner this is Bradley & Terry's model. Strengths are found by maximum
likelihood; a kind that won or lost all its fights has no finite strength and is held by a weak prior.

David's score: w + w2 - l - l2, where w_i sums the shares P_ij of fights won against each other kind, w2_i sums these
shares weighted with the w of the beaten, l and l2 the same for losses; a tie counts half.

Sources
-------
Davidson 1970, J. American Statistical Association 65:317; Bradley & Terry 1952, Biometrika 39:324; David 1987,
Biometrika 74:432; the chance-corrected shares: de Vries, Stevens & Vervaecke 2006, Animal Behaviour 71:585;
connectedness: Ford 1957, American Mathematical Monthly 64(8):28.
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.clustering import Estimate, Uncertainty, model_uncertainty
from domatia.stats.dyadic import dyadic_uncertainty
from domatia.stats.row_likelihood import Parts, RowLikelihood, fit_rows
from domatia.stats.row_order import canonical_order


@dataclass(frozen=True, eq=False)
class Dominance:
    """Strengths of the kinds.

    Attributes
    ----------
    strengths : Estimate
        Log strength of each kind against the reference, whose entry is 0 without doubt.
    log_tie : float
        Log of nu; minus infinity where there was no tie.
    uncertainty : Uncertainty
        Of the kinds but the reference, in their order.
    log_likelihood : float
    held : tuple of int
        Kinds whose strength has no bound.
    """

    strengths: Estimate
    log_tie: float
    uncertainty: Uncertainty
    log_likelihood: float
    held: tuple[int, ...]


class _Ties(RowLikelihood):
    """Rows of a multinomial with the features (x/2, 0), (0, 1), (-x/2, 0) for win, tie, loss."""

    def __init__(self, outcome: Ints, X: Floats, ties: bool) -> None:
        super().__init__(X.shape[1] + ties)
        self.outcome, self.ties = outcome, ties
        features = np.zeros((len(outcome), 3, self.size))
        features[:, 0, : X.shape[1]], features[:, 2, : X.shape[1]] = X / 2.0, -X / 2.0
        features[:, 1, X.shape[1] :] = 1.0
        self.features = features

    def spread(self) -> Floats:
        return np.ones(self.size)

    def rows(self, theta: Floats) -> Parts:
        eta = self.features @ theta
        if not self.ties:
            eta[:, 1] = -np.inf
        top = eta.max(axis=1, keepdims=True)
        chance = np.exp(eta - top)
        total = chance.sum(axis=1, keepdims=True)
        chance /= total
        at = np.arange(len(self.outcome))
        values = eta[at, self.outcome] - top[:, 0] - np.log(total[:, 0])
        mean = np.einsum("nk,nkp->np", chance, self.features)
        square = np.einsum("nk,nkp,nkq->npq", chance, self.features, self.features)
        scores = self.features[at, self.outcome] - mean
        return values, scores, square - mean[:, :, None] * mean[:, None, :]


def kind_columns(first: Ints, second: Ints, kinds: int, without: Bools) -> Floats:
    """Give +1 for the first side's kind and -1 for the second's, one column a kind but those `without`."""
    X = np.zeros((len(first), kinds))
    at = np.arange(len(first))
    np.add.at(X, (at, first), 1.0)
    np.add.at(X, (at, second), -1.0)
    return X[:, ~without]


def connected(first: Ints, second: Ints, kinds: int) -> Ints:
    """Give a number to each group of kinds that met, directly or by way of others; shape (kinds,)."""
    group = np.arange(kinds)
    for _ in range(kinds):
        low = np.minimum(group[first], group[second])
        np.minimum.at(group, first, low)
        np.minimum.at(group, second, low)
    return np.unique(group, return_inverse=True)[1].astype(np.int64)


def dominance(
    kinds: tuple[Ints, Ints],
    outcome: Ints,
    reference: int,
    sides: tuple[Ints, Ints] | None = None,
    *,
    level: float = 0.95,
) -> Dominance:
    """Fit the strengths of kinds that met, directly or by way of others.

    Parameters
    ----------
    kinds : (array, array)
        Kind of the first and of the second side, 0 ... k - 1; each row two different ones.
    outcome : array (rows,)
        0 the first won, 1 a tie, 2 the second won.
    reference : int
    sides : (array, array), optional
        Codes of the two colonies, for a sandwich over both.
    level : float

    Raises
    ------
    ValueError
        If a fight is within a kind, or some kinds never met the others.
    """
    first, second = kinds
    if not len(first) or np.any(first == second):
        raise ValueError("dominance needs fights between two different kinds")
    count = int(max(first.max(), second.max())) + 1
    if connected(first, second, count).max() > 0:
        raise ValueError("some kinds never met the others, not even by way of a third; compare them apart")
    turn = first > second
    a, b = np.where(turn, second, first), np.where(turn, first, second)
    result = np.where(turn, 2 - outcome, outcome)
    ends = np.zeros((len(a), 2), np.int64) if sides is None else np.sort(np.column_stack(sides), axis=1)
    order = canonical_order(a, b, result, ends)
    left = np.arange(count) == reference
    ties = bool((result == 1).any())
    fit = fit_rows(_Ties(result[order].astype(np.int64), kind_columns(a[order], b[order], count, left), ties))
    doubt = model_uncertainty(fit.covariance, level)
    if sides is not None:
        pair = ends[order]
        doubt = dyadic_uncertainty(fit, pair[:, 0], pair[:, 1], level=level)
    spread = np.zeros((count, len(fit.theta)))
    spread[np.flatnonzero(~left), np.arange(count - 1)] = 1.0
    names = np.flatnonzero(~left)
    held = tuple(int(names[j]) for j in fit.held if j < count - 1)
    log_tie = float(fit.theta[-1]) if ties else float("-inf")
    return Dominance(doubt.linear(spread @ fit.theta, spread), log_tie, doubt, fit.log_likelihood, held)


def david_scores(wins: Floats, *, corrected: bool = False) -> Floats:
    """Give David's score of each kind.

    Parameters
    ----------
    wins : array (k, k)
        Fights that the row won against the column, a tie counting half for each.
    corrected : bool
        Use D_ij = (wins + 1/2) / (n + 1), which allows for few fights, for the share won.

    Raises
    ------
    ValueError
        If the table is not square or a number is negative.
    """
    w = np.asarray(wins, dtype=np.float64)
    if w.ndim != 2 or w.shape[0] != w.shape[1] or (w < 0.0).any():
        raise ValueError("David's score needs a square table of numbers of wins")
    met = w + w.T
    np.fill_diagonal(met, 0.0)
    some = met > 0.0
    shares = np.where(some, (w + 0.5) / (met + 1.0) if corrected else w / np.where(some, met, 1.0), 0.0)
    won, lost = shares.sum(axis=1), shares.sum(axis=0)
    return np.asarray(won + shares @ won - lost - shares.T @ lost, dtype=np.float64)
