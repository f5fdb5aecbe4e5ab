"""Proportional hazards when death is only known to lie between two looks.

Each row is an interval between two known states of one individual: alive at `start`, and at `stop` either
alive or found to have died somewhere in between. With the covariates x seen at or before `start` and held
over the row,

    H = exp(x'b) * sum_k exp(a_k) * overlap_k,    P(alive at stop) = exp(-H),    P(died) = 1 - exp(-H)

where overlap_k is the time the row spends in piece k of the baseline and exp(a_k) the hazard there when x =
0. Rows begin when they begin, so late entry and gaps need nothing special. The baseline is constant on each
piece (Friedman 1982, Ann. Stat. 10:101); with one piece per row it is the complementary log-log model of
Prentice & Gloeckler 1978, Biometrics 34:57.

The fit is Newton's with exact derivatives. Where a group had no deaths its coefficient runs off to
infinity; then, and only then, that coefficient (times the range of its column) gets a log-F(1,1) prior
(Greenland & Mansournia 2015, Stat. Med. 34:3133), which keeps it finite, its standard error is the model's,
and `separated` names it. A baseline piece that turns out to hold no hazard, or cannot be told from its
neighbour, is joined to the neighbour; `notes` says so.

Not covered: deaths dated exactly, covariates that change inside a row, effects that change with time,
frailty (see `domatia.stats.frailty`).
"""

from dataclasses import dataclass, replace

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.clustering import Estimate, Kind, Uncertainty, sum_by
from domatia.stats.row_order import canonical_order
from domatia.stats.separation import Summit, climb, clustered_fit, log_f_prior, members, runaway

# beyond this a chance is 0 or 1 to the last bit; it keeps steps on the way from overflowing
_LARGEST_LOG = 300.0


@dataclass(frozen=True, eq=False)
class IntervalRows:
    """Rows between known states.

    Attributes
    ----------
    start, stop : array (rows,)
        Two looks, in one unit of time; start < stop.
    died : array (rows,)
        1 where death fell somewhere in (start, stop], else 0.
    X : array (rows, covariates)
        State at or before `start`; no constant column.
    cluster : array (rows,), optional
        Group of each row for standard errors.
    """

    start: Floats
    stop: Floats
    died: Bools | Ints
    X: Floats
    cluster: Ints | None = None

    def checked(self) -> "IntervalRows":
        """Give the same rows in one order as plain arrays; ValueError says what is wrong with them."""
        start, stop = np.asarray(self.start, dtype=np.float64), np.asarray(self.stop, dtype=np.float64)
        died, X = np.asarray(self.died).astype(bool), np.asarray(self.X, dtype=np.float64)
        if X.ndim != 2 or not len(start) == len(stop) == len(died) == len(X):
            raise ValueError(f"start, stop, died and X must have one entry a row; X has shape {X.shape}")
        if not (np.isfinite(start) & np.isfinite(stop) & (stop > start)).all():
            raise ValueError("a row does not end after it starts, or has no end; leave such rows out")
        if not np.isfinite(X).all():
            raise ValueError("a covariate is missing; leave those rows out and say so")
        if not died.any():
            raise ValueError("nobody died, so there is no hazard to estimate; at least one death is needed")
        aliased = aliased_columns(X)
        if aliased:
            raise ValueError(f"columns {list(aliased)} of X are constant or combinations of columns before them")
        cluster = np.zeros(len(X), np.int64) if self.cluster is None else np.asarray(self.cluster)
        order = canonical_order(start, stop, died, X, cluster)
        groups = None if self.cluster is None else cluster[order]
        return IntervalRows(start[order], stop[order], died[order], X[order], groups)


@dataclass(frozen=True, eq=False)
class IntervalHazard:
    """A fitted model.

    Attributes
    ----------
    coefficients : Estimate, arrays (covariates,)
        Log hazard ratios.
    baseline : Estimate, arrays (pieces,)
        Hazard in each piece where all covariates are zero, per unit of time.
    edges : array (pieces + 1,)
        Pieces of the baseline: from the earliest start to the end of follow-up.
    parameters : array (covariates + pieces,)
        Coefficients, then log baseline hazards; `uncertainty.covariance` is in this order.
    uncertainty : Uncertainty
        Covariance, degrees of freedom and the sentence that says what was used.
    log_likelihood : float
        At the estimate (without prior).
    deaths, rows, iterations : int
        Deaths, rows used and Newton steps.
    separated : tuple of int
        Covariates kept finite by a prior because a group had no deaths (or only deaths).
    notes : tuple of str
        What was changed on the way, in plain words.
    """

    coefficients: Estimate
    baseline: Estimate
    edges: Floats
    parameters: Floats
    uncertainty: Uncertainty
    log_likelihood: float
    deaths: int
    rows: int
    iterations: int
    separated: tuple[int, ...]
    notes: tuple[str, ...]

    @property
    def hazard_ratios(self) -> Estimate:
        """Hazard ratios with interval; `se` stays that of the logarithm."""
        return self.coefficients.exponential()

    def contrast(self, weights: Floats) -> Estimate:
        """Combine log hazard ratios: `weights` @ coefficients, `weights` of shape (contrasts, covariates)."""
        w = np.atleast_2d(np.asarray(weights, dtype=np.float64))
        gradient = np.hstack([w, np.zeros((len(w), len(self.edges) - 1))])
        return self.uncertainty.linear(gradient @ self.parameters, gradient)


def aliased_columns(X: Floats) -> tuple[int, ...]:
    """Find columns that are constant or combinations of the columns before them."""
    x = np.asarray(X, dtype=np.float64)
    found: list[int] = []
    basis = np.full((len(x), 1), 1.0 / np.sqrt(max(len(x), 1)))
    for j in range(x.shape[1]):
        column = x[:, j]
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        size = float(np.linalg.norm(rest))
        if size <= 1e-9 * max(float(np.linalg.norm(column)), 1e-300):
            found.append(j)
        else:
            basis = np.hstack([basis, (rest / size)[:, None]])
    return tuple(found)


def choose_cuts(rows: IntervalRows, pieces: int = 8, least: int = 10) -> Floats:
    """Choose where the baseline may change: times of looks that share the deaths out evenly.

    Parameters
    ----------
    rows : IntervalRows
        The data.
    pieces : int
        Wanted pieces of the baseline.
    least : int
        Deaths that each piece must hold; fewer pieces if there are too few.

    Returns
    -------
    array (cuts,)
        Increasing, each the end of a row in which somebody died; may be empty.
    """
    died = np.asarray(rows.died).astype(bool)
    ends = np.sort(np.asarray(rows.stop, dtype=np.float64)[died])
    count = min(pieces, len(ends) // max(least, 1))
    cuts: list[float] = []
    held = 0
    for k in range(1, count):
        cut = float(ends[round(k * len(ends) / count) - 1])
        upto = int(np.searchsorted(ends, cut, side="right"))
        if upto - held >= least and len(ends) - upto >= least:
            cuts.append(cut)
            held = upto
    return np.asarray(cuts, dtype=np.float64)


def overlaps(start: Floats, stop: Floats, edges: Floats) -> Floats:
    """Time that each row spends in each piece, (rows, pieces); the last piece has no end."""
    upper = np.concatenate([edges[1:-1], [np.inf]])
    first = np.maximum(start[:, None], edges[:-1])
    return np.asarray(np.maximum(np.minimum(stop[:, None], upper) - first, 0.0), dtype=np.float64)


def interval_hazard(
    rows: IntervalRows, cuts: Floats | None = None, *, kind: Kind = "CR1", level: float = 0.95
) -> IntervalHazard:
    """Fit the model.

    Parameters
    ----------
    rows : IntervalRows
        The data.
    cuts : array, optional
        Inner boundaries of the baseline's pieces; `choose_cuts` if not given. Empty: one constant hazard.
    kind : {"CR1", "CR0", "CR2", "jackknife", "model"}
        Which covariance if the rows have clusters; see `domatia.stats.clustering`.
    level : float
        Level of the intervals.

    Raises
    ------
    ValueError
        If rows are malformed, nobody died, or a covariate is a combination of others.
    """
    data = rows.checked()
    edges, notes = baseline_edges(data, choose_cuts(data) if cuts is None else np.asarray(cuts, dtype=np.float64))
    separated: tuple[int, ...] = ()
    while True:
        likelihood = Likelihood(data, overlaps(data.start, data.stop, edges), separated)
        fit = climb(likelihood)
        running = runaway(likelihood, fit)
        more = tuple(sorted(set(separated) | {j for j in running if j < likelihood.covariates}))
        empty = [j - likelihood.covariates for j in running if j >= likelihood.covariates]
        if more != separated:
            separated = more
        elif empty and len(edges) > 2:
            edges, said = join_pieces(edges, empty)
            notes += said
        else:
            break
    if separated:
        notes.append(
            f"No deaths, or only deaths, in a group: columns {list(separated)} are held finite by a weak prior."
        )
    return _report(likelihood, fit, clustered_fit(likelihood, fit, data.cluster, kind, level), edges, notes)


class Likelihood:
    """Log-likelihood in (b, a) with exact derivatives."""

    def __init__(self, rows: IntervalRows, overlap: Floats, prior_on: tuple[int, ...] = ()) -> None:
        self.X, self.died, self.overlap = rows.X, np.asarray(rows.died).astype(bool), overlap
        self.covariates, self.pieces = rows.X.shape[1], overlap.shape[1]
        self.prior_on = list(prior_on)
        self.range = np.ptp(rows.X, axis=0)

    def begin(self) -> Floats:
        """Start from no effects and one constant hazard."""
        rate = self.died.sum() / self.overlap.sum()
        return np.concatenate([np.zeros(self.covariates), np.full(self.pieces, np.log(rate))])

    def design(self, theta: Floats) -> tuple[Floats, Floats]:
        """Cumulative hazard of each row, and the derivative of its logarithm, (rows, parameters)."""
        shares = self.overlap * np.exp(np.minimum(theta[self.covariates :], _LARGEST_LOG))
        base = shares.sum(axis=1)
        log_hazard = self.X @ theta[: self.covariates] + np.log(np.maximum(base, 1e-300))
        hazard = np.exp(np.minimum(log_hazard, _LARGEST_LOG))
        return hazard, np.hstack([self.X, shares / np.maximum(base, 1e-300)[:, None]])

    def row_terms(self, hazard: Floats) -> tuple[Floats, Floats, Floats]:
        """Log-likelihood of each row and its first two derivatives in the log cumulative hazard."""
        h = np.maximum(hazard, 1e-300)
        gone = -np.expm1(-h)
        value = np.where(self.died, np.log(gone), -h)
        # h / (exp(h) - 1), written so that it neither overflows nor cancels
        slope = np.where(self.died, h * np.exp(-h) / gone, -h)
        curve = np.where(self.died, slope * (1.0 - h / gone), -h)
        return value, slope, curve

    def value(self, theta: Floats) -> float:
        """Penalised log-likelihood alone."""
        hazard, _ = self.design(theta)
        return float(self.row_terms(hazard)[0].sum()) + self.prior(theta)[0]

    def derivatives(self, theta: Floats) -> tuple[Floats, Floats]:
        """Gradient and information (negative Hessian), prior included."""
        hazard, D = self.design(theta)
        _, slope, curve = self.row_terms(hazard)
        _, prior_slope, prior_information = self.prior(theta)
        return D.T @ slope + prior_slope, self._information(D, slope, curve) + np.diag(prior_information)

    def _information(self, D: Floats, slope: Floats, curve: Floats) -> Floats:
        W = D[:, self.covariates :]
        out = -(D * curve[:, None]).T @ D
        bend = (W * slope[:, None]).T @ W - np.diag(W.T @ slope)
        out[self.covariates :, self.covariates :] += bend
        return np.asarray(out, dtype=np.float64)

    def group_scores(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        """Score of each group, (groups, parameters), without the prior."""
        hazard, D = self.design(theta)
        return sum_by(D * self.row_terms(hazard)[1][:, None], codes, groups)

    def group_information(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        """Share of each group in the expected information, (groups, parameters, parameters)."""
        hazard, D = self.design(theta)
        h = np.maximum(hazard, 1e-300)
        # expected squared slope: h^2 / (exp(h) - 1)
        weight = h * h * np.exp(-h) / -np.expm1(-h)
        return np.stack([(D[mine] * weight[mine, None]).T @ D[mine] for mine in members(codes, groups)])

    def spread(self) -> Floats:
        """Range of each covariate; 1 for the baseline."""
        return np.concatenate([self.range, np.ones(self.pieces)])

    def prior(self, theta: Floats) -> tuple[float, Floats, Floats]:
        """Log prior of the separated coefficients, its gradient and the diagonal of its information."""
        slope, information = np.zeros(len(theta)), np.zeros(len(theta))
        on, across = self.prior_on, self.range[self.prior_on]
        value, pull, curve = log_f_prior(theta[on] * across)
        slope[on], information[on] = pull * across, curve * across**2
        return value, slope, information


def baseline_edges(rows: IntervalRows, cuts: Floats) -> tuple[Floats, list[str]]:
    """Edges of the pieces; a piece that no row tells apart from the one before is joined to it."""
    first, last = float(rows.start.min()), float(rows.stop.max())
    inner = np.unique(cuts[(cuts > first) & (cuts < last)])
    edges = np.concatenate([[first], inner, [last]])
    notes = []
    while len(edges) > 2:
        overlap = overlaps(rows.start, rows.stop, edges)
        dead = overlap[rows.died].sum(axis=0)
        alone = _dependent(overlap)
        weak = [k for k in range(len(edges) - 1) if dead[k] <= 0.0 or k in alone]
        if not weak:
            break
        edges, said = join_pieces(edges, weak)
        notes += said
    return edges, notes


def _dependent(overlap: Floats) -> set[int]:
    """Pieces whose overlaps are a combination of those of earlier pieces."""
    gram = overlap.T @ overlap
    scale = np.sqrt(np.maximum(np.diag(gram), 1e-300))
    gram = gram / np.outer(scale, scale)
    full = int(np.linalg.matrix_rank(gram, tol=1e-10, hermitian=True))
    if full == len(gram):
        return set()
    ranks = [int(np.linalg.matrix_rank(gram[:k, :k], tol=1e-10, hermitian=True)) for k in range(1, len(gram) + 1)]
    return {k for k in range(1, len(gram)) if ranks[k] == ranks[k - 1]}


def join_pieces(edges: Floats, pieces: list[int]) -> tuple[Floats, list[str]]:
    """Join each of the pieces to the one before it (the first to the one after)."""
    at = sorted({max(piece, 1) for piece in pieces})
    notes = [f"The baseline's cut at {edges[j]:g} was left out: too little to tell its two sides apart." for j in at]
    return np.delete(edges, at), notes


def _report(
    likelihood: Likelihood, fit: Summit, uncertainty: Uncertainty, edges: Floats, notes: list[str]
) -> IntervalHazard:
    p = likelihood.covariates
    unit = np.eye(len(fit.theta))
    log_base = uncertainty.linear(fit.theta[p:], unit[p:])
    base = log_base.exponential()
    return IntervalHazard(
        coefficients=uncertainty.linear(fit.theta[:p], unit[:p]),
        baseline=replace(base, se=base.estimate * base.se),
        edges=edges,
        parameters=fit.theta,
        uncertainty=uncertainty,
        log_likelihood=fit.value - likelihood.prior(fit.theta)[0],
        deaths=int(likelihood.died.sum()),
        rows=len(likelihood.died),
        iterations=fit.steps,
        separated=tuple(likelihood.prior_on),
        notes=tuple(notes),
    )
