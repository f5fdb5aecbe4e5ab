"""Competing events between looks: which of several ends came first, when it is only known between two looks.

Each row is an interval between two looks at one individual that was still event-free at `start`; at `stop`
either nothing had happened (cause 0) or exactly one of the causes 1..C had. With covariates x seen at or
before `start`,

    h_c(t) = exp(x'b_c + a_ck)    on piece k of the baseline,
    P(cause c in the row) = sum_k S_k h_ck / h_k (1 - exp(-h_k overlap_k)),    h_k = sum_c h_ck,

where S_k is the chance of being event-free when piece k is entered: exact for hazards constant on each
piece (Jackson 2011, J. Stat. Software 38(8), gives the same likelihood for panel data with absorbing
states). exp(b_c) are cause-specific hazard ratios (Prentice et al. 1978, Biometrics 34:541). The fit is by
scoring with the expected information.

With `shown` a look need not see what first happened: P(seen x in the row) = sum_c P(c first) shown_cx, where shown
is given (see `domatia.stats.hidden_moves` for what happens after the first event and before the look) and its own
doubt is left out of the intervals.

What it cannot see: without `shown`, events undone between looks (a colony that came and went) and second events after
the first in the same row; and events of a cause that cannot be told at the look. A cause that is hard to see soon
after it happened biases its hazard down and spreads it over later rows. A coefficient or baseline piece for
which a cause had no events is held finite by a log-F(1,1) prior (see `domatia.stats.separation`) and named
in `notes`.
"""

from dataclasses import dataclass, replace

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import Estimate, Kind, Uncertainty, sum_by
from domatia.stats.interval_hazard import IntervalRows, baseline_edges, choose_cuts, overlaps
from domatia.stats.row_order import canonical_order
from domatia.stats.separation import Summit, climb, clustered_fit, log_f_prior, members, runaway

_CHUNK = 2048
# beyond this a chance is 0 or 1 to the last bit; it keeps steps on the way from overflowing
_LARGEST_LOG = 100.0


@dataclass(frozen=True, eq=False)
class CompetingRows:
    """Rows between looks.

    Attributes
    ----------
    start, stop : array (rows,)
        Two looks, in one unit of time; start < stop; event-free at `start`.
    cause : array (rows,)
        0: still event-free at `stop`; 1..C: what had happened.
    X : array (rows, covariates)
        State at or before `start`; no constant column; may have no column at all.
    cluster : array (rows,), optional
        Group of each row for standard errors.
    shown : array (rows, C + 1, C + 1), optional
        Chance that what first happened (second axis; 0 nothing) is seen at `stop` as each outcome (last axis), rows
        summing to 1. Left out, what first happened is what is seen.
    weight : array (rows,), optional
        Chance that the individual was event-free at `start`, above 0; 1 if left out.
    """

    start: Floats
    stop: Floats
    cause: Ints
    X: Floats
    cluster: Ints | None = None
    shown: Floats | None = None
    weight: Floats | None = None

    def checked(self) -> tuple[IntervalRows, "_Ends"]:
        """Give the rows with any event counted as the end, and what ended them; ValueError if something is wrong."""
        cause, x = np.asarray(self.cause).astype(np.int64), np.asarray(self.X, dtype=np.float64)
        rows = IntervalRows(self.start, self.stop, cause > 0, x, self.cluster).checked()
        # the same order as the checked rows, causes told apart last
        cluster = np.zeros(len(x), np.int64) if self.cluster is None else np.asarray(self.cluster)
        weight = np.ones(len(x)) if self.weight is None else np.asarray(self.weight, dtype=np.float64)
        if weight.shape != (len(x),) or not ((weight > 0) & (weight <= 1)).all():
            raise ValueError(f"weight has shape {weight.shape}; give one chance a row, above 0 and at most 1")
        shown = None if self.shown is None else self._shown(len(x), int(cause.max(initial=0)))
        extra = (weight,) if shown is None else (weight, shown.reshape(len(x), -1))
        order = canonical_order(self.start, self.stop, cause > 0, x, cluster, cause, *extra)
        cause = cause[order]
        if (cause < 0).any():
            raise ValueError("causes are 0 (nothing happened) or 1, 2, ...; a negative cause was given")
        never = [c for c in range(1, int(cause.max()) + 1) if not (cause == c).any()]
        if never:
            raise ValueError(f"causes {never} never happened; leave them out and number the others from 1")
        return rows, _Ends(cause, None if shown is None else shown[order], weight[order])

    def _shown(self, rows: int, causes: int) -> Floats:
        shown = np.asarray(self.shown, dtype=np.float64)
        wanted = (rows, causes + 1, causes + 1)
        if shown.shape != wanted or (shown < 0).any() or not np.allclose(shown.sum(axis=2), 1.0, atol=1e-8):
            raise ValueError(
                f"shown has shape {shown.shape}; give chances of shape {wanted} that sum to 1 over the last axis"
            )
        return shown


@dataclass(frozen=True, eq=False)
class _Ends:
    """What ended the rows, how it is shown, and the rows' weights, in the order of the checked rows."""

    cause: Ints
    shown: Floats | None
    weight: Floats


@dataclass(frozen=True, eq=False)
class CompetingHazards:
    """A fitted model of C causes.

    Attributes
    ----------
    coefficients : Estimate, arrays (C, covariates)
        Cause-specific log hazard ratios.
    baseline : Estimate, arrays (C, pieces)
        Hazards where all covariates are zero, per unit of time.
    edges : array (pieces + 1,)
        Pieces of the baseline: from the earliest start to the end of follow-up.
    parameters : array (C * (covariates + pieces),)
        For each cause its coefficients, then its log baseline hazards.
    uncertainty : Uncertainty
        Covariance, degrees of freedom and the sentence that says what was used.
    log_likelihood : float
        At the estimate (without prior).
    counts : array (C + 1,)
        Rows that ended with each cause; first those that ended with none.
    iterations : int
        Steps taken.
    separated : tuple of (cause, covariate)
        Coefficients held finite by a prior.
    notes : tuple of str
        What was changed on the way, in plain words.
    """

    coefficients: Estimate
    baseline: Estimate
    edges: Floats
    parameters: Floats
    uncertainty: Uncertainty
    log_likelihood: float
    counts: Ints
    iterations: int
    separated: tuple[tuple[int, int], ...]
    notes: tuple[str, ...]

    @property
    def hazard_ratios(self) -> Estimate:
        """Cause-specific hazard ratios with interval, (C, covariates); `se` stays that of the logarithm."""
        return self.coefficients.exponential()

    def contrast(self, weights: Floats) -> Estimate:
        """Combine log hazard ratios: `weights` (contrasts, C, covariates), such as one cause against another."""
        causes, covariates = self.coefficients.estimate.shape
        w = np.asarray(weights, dtype=np.float64).reshape(-1, causes, covariates)
        gradient = np.concatenate([w, np.zeros((len(w), causes, len(self.edges) - 1))], axis=2)
        gradient = gradient.reshape(len(w), -1)
        return self.uncertainty.linear(gradient @ self.parameters, gradient)


@dataclass(frozen=True, eq=False)
class Incidence:
    """What has happened by each time.

    Attributes
    ----------
    times : array (times,)
    free : Estimate, arrays (times,)
        Chance that nothing has happened.
    by_cause : Estimate, arrays (C, times)
        Cumulative incidence of each cause: the chance that it has happened first. Sums with `free` to 1.
    """

    times: Floats
    free: Estimate
    by_cause: Estimate


def competing_hazards(
    rows: CompetingRows, cuts: Floats | None = None, *, kind: Kind = "CR1", level: float = 0.95
) -> CompetingHazards:
    """Fit the model.

    Parameters
    ----------
    rows : CompetingRows
        The data.
    cuts : array, optional
        Inner boundaries of the baseline's pieces, the same for all causes; if not given up to four pieces
        that share out the events.
    kind : {"CR1", "CR0", "CR2", "jackknife", "model"}
        Which covariance if the rows have clusters; see `domatia.stats.clustering`.
    level : float
        Level of the intervals.

    Raises
    ------
    ValueError
        If rows are malformed, nothing happened, a cause never happened, or a covariate is redundant.
    """
    data, ends = rows.checked()
    wanted = choose_cuts(data, pieces=4, least=20) if cuts is None else np.asarray(cuts, dtype=np.float64)
    edges, notes = baseline_edges(data, wanted)
    held: set[int] = set()
    while True:
        likelihood = _Likelihood(data, ends, overlaps(data.start, data.stop, edges), sorted(held))
        fit = climb(likelihood)
        running = set(runaway(likelihood, fit)) - held
        slopes = {j for j in running if likelihood.is_coefficient(j)}
        if not running:
            break
        # coefficients first: where a reference group had no events the baseline runs off along with them
        held |= slopes or running
    notes += likelihood.held_in_words(edges)
    uncertainty = clustered_fit(likelihood, fit, data.cluster, kind, level)
    return _report(likelihood, fit, uncertainty, edges, notes)


def cumulative_incidence(fit: CompetingHazards, X: Floats, times: Floats, weights: Floats | None = None) -> Incidence:
    """Average over covariate rows what has happened by each time.

    Parameters
    ----------
    fit : CompetingHazards
        The model; time runs from ``fit.edges[0]``.
    X : array (m, covariates) or (covariates,)
        Covariate rows, held for the whole time.
    times : array
        Within the follow-up.
    weights : array (m,), optional
        Weights of the rows.

    Returns
    -------
    Incidence
        Intervals by the delta method on the log(-log) scale.

    Raises
    ------
    ValueError
        If a time lies outside the follow-up, or `X` has the wrong number of columns.
    """
    t, chance, gradient = _incidence(fit, X, times, weights)
    free = fit.uncertainty.log_log(chance[:, 0], gradient[:, 0])
    parts = [fit.uncertainty.log_log(1.0 - chance[:, c], gradient[:, c]) for c in range(1, chance.shape[1])]
    by_cause = Estimate(
        chance[:, 1:].T,
        np.stack([part.se for part in parts]),
        np.stack([1.0 - part.high for part in parts]),
        np.stack([1.0 - part.low for part in parts]),
    )
    return Incidence(t, free, by_cause)


def incidence_difference(
    fit: CompetingHazards, X1: Floats, X0: Floats, times: Floats, weights: Floats | None = None
) -> Estimate:
    """Cumulative incidence over `X1` minus that over `X0`, arrays (C, times); see `cumulative_incidence`."""
    _, one, slope_one = _incidence(fit, X1, times, weights)
    _, nought, slope_nought = _incidence(fit, X0, times, weights)
    gap, slope = one - nought, slope_one - slope_nought
    parts = [fit.uncertainty.linear(gap[:, c], slope[:, c]) for c in range(1, gap.shape[1])]
    return Estimate(
        np.stack([p.estimate for p in parts]),
        np.stack([p.se for p in parts]),
        np.stack([p.low for p in parts]),
        np.stack([p.high for p in parts]),
    )


def outcome_chances(risk: Floats, rate: Floats, overlap: Floats) -> tuple[Floats, Floats]:
    """Chance of each outcome of a row and its derivatives.

    Parameters
    ----------
    risk : array (rows, C)
        exp(x'b_c).
    rate : array (C, pieces)
        Baseline hazards.
    overlap : array (rows, pieces)
        Time spent in each piece.

    Returns
    -------
    chances : array (rows, C + 1)
        First that nothing happened, then each cause.
    derivatives : array (rows, C + 1, C, pieces)
        With respect to the log hazard of each cause in each piece.
    """
    rows, causes = risk.shape
    pieces = rate.shape[1]
    chance = np.zeros((rows, causes + 1))
    slope = np.zeros((rows, causes + 1, causes, pieces))
    free = np.ones(rows)
    same = np.arange(causes)
    for k in range(pieces):
        u = risk * rate[:, k] * overlap[:, k, None]
        z = u.sum(axis=1)
        part, bend = _mean_exponential(z)
        here = free[:, None] * u * part[:, None]
        # what earlier hazards take away from this piece, and this piece's own derivative
        before = np.zeros((rows, causes, k)) if k == 0 else slope[:, 0, :, :k] / np.maximum(free, 1e-300)[:, None, None]
        slope[:, 1:, :, :k] += here[:, :, None, None] * before[:, None]
        slope[:, 1:, :, k] = (free * bend)[:, None, None] * u[:, :, None] * u[:, None, :]
        slope[:, 1 + same, same, k] += here
        chance[:, 1:] += here
        fall = np.exp(-z)
        slope[:, 0, :, :k] *= fall[:, None, None]
        slope[:, 0, :, k] = -(free * fall)[:, None] * u
        free = free * fall
    chance[:, 0] = free
    return chance, slope


def _mean_exponential(z: Floats) -> tuple[Floats, Floats]:
    """Give (1 - exp(-z)) / z and its derivative, also near 0."""
    small = z < 1e-3
    safe = np.where(small, 1.0, z)
    value = np.where(small, 1.0 - z / 2.0 + z * z / 6.0, -np.expm1(-safe) / safe)
    slope = np.where(small, -0.5 + z / 3.0 - z * z / 8.0, (np.exp(-safe) - value) / safe)
    value = np.where(small, value - z**3 / 24.0, value)
    return value, np.where(small, slope + z**3 / 30.0, slope)


class _Likelihood:
    """Log-likelihood with exact gradient and expected information."""

    def __init__(self, rows: IntervalRows, ends: _Ends, overlap: Floats, prior_on: list[int]) -> None:
        cause, self.shown, self.weight = ends.cause, ends.shown, ends.weight
        self.X, self.cause, self.overlap = rows.X, cause, overlap
        self.causes, self.covariates, self.pieces = int(cause.max()), rows.X.shape[1], overlap.shape[1]
        self.prior_on = prior_on
        events = np.bincount(cause, minlength=self.causes + 1)
        self.counts = events.astype(np.int64)
        self.log_rates = np.log(events[1:] / overlap.sum())
        self.centre = self.begin()

    def is_coefficient(self, j: int) -> bool:
        return bool(j % (self.covariates + self.pieces) < self.covariates)

    def begin(self) -> Floats:
        start = np.zeros((self.causes, self.covariates + self.pieces))
        start[:, self.covariates :] = self.log_rates[:, None]
        return start.ravel()

    def spread(self) -> Floats:
        return np.tile(np.concatenate([np.ptp(self.X, axis=0), np.ones(self.pieces)]), self.causes)

    def value(self, theta: Floats) -> float:
        total = 0.0
        for part in _parts(len(self.X)):
            chance, _ = self._chances(theta, part)
            seen = chance[np.arange(len(chance)), self.cause[part]]
            total += float(self.weight[part] @ np.log(np.maximum(seen, 1e-300)))
        return total + self.prior(theta)[0]

    def derivatives(self, theta: Floats) -> tuple[Floats, Floats]:
        _, slope, curve = self.prior(theta)
        information = np.diag(curve)
        for part in _parts(len(self.X)):
            scores, roots = self._scores(theta, part)
            slope = slope + scores.sum(axis=0)
            information = information + roots.T @ roots
        return slope, information

    def prior(self, theta: Floats) -> tuple[float, Floats, Floats]:
        slope, curve = np.zeros(len(theta)), np.zeros(len(theta))
        on = self.prior_on
        across = self.spread()[on]
        value, pull, bend = log_f_prior((theta[on] - self.centre[on]) * across)
        slope[on], curve[on] = pull * across, bend * across**2
        return value, slope, curve

    def group_scores(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        out = np.zeros((groups, len(theta)))
        for part in _parts(len(self.X)):
            out += sum_by(self._scores(theta, part)[0], codes[part], groups)
        return out

    def group_information(self, theta: Floats, codes: Ints, groups: int) -> Floats:
        roots = [self._scores(theta, mine)[1] for mine in members(codes, groups)]
        return np.stack([root.T @ root for root in roots])

    def held_in_words(self, edges: Floats) -> list[str]:
        """Say which parameters a prior holds."""
        words = []
        for j in self.prior_on:
            cause, which = divmod(j, self.covariates + self.pieces)
            if which < self.covariates:
                what = f"no events, or only events, in a group of column {which}"
            else:
                k = which - self.covariates
                what = f"no events between {edges[k]:g} and {edges[k + 1]:g}"
            words.append(f"Cause {cause + 1}: {what}; its hazard there is held finite by a weak prior.")
        return words

    def _chances(self, theta: Floats, part: Ints) -> tuple[Floats, Floats]:
        table = theta.reshape(self.causes, -1)
        risk = np.exp(np.minimum(self.X[part] @ table[:, : self.covariates].T, _LARGEST_LOG))
        rate = np.exp(np.minimum(table[:, self.covariates :], _LARGEST_LOG))
        chance, slope = outcome_chances(risk, rate, self.overlap[part])
        if self.shown is None:
            return chance, slope
        across = self.shown[part].transpose(0, 2, 1)
        seen = (across @ chance[:, :, None])[:, :, 0]
        return seen, (across @ slope.reshape(*chance.shape, -1)).reshape(slope.shape)

    def _scores(self, theta: Floats, part: Ints) -> tuple[Floats, Floats]:
        """Score of each row, and lines whose cross-product is the expected information."""
        chance, slope = self._chances(theta, part)
        chance = np.maximum(chance, 1e-300)
        full = _in_parameters(slope, self.X[part])
        row = np.arange(len(part))
        seen = self.cause[part]
        scores = full[row, seen] * (self.weight[part] / chance[row, seen])[:, None]
        roots = full * np.sqrt(self.weight[part, None] / chance)[:, :, None]
        return scores, roots.reshape(-1, full.shape[2])


def _in_parameters(slope: Floats, X: Floats) -> Floats:
    """Turn derivatives in log hazards (rows, outcomes, C, pieces) to those in parameters (rows, outcomes, P)."""
    rows, outcomes, causes, pieces = slope.shape
    full = np.empty((rows, outcomes, causes, X.shape[1] + pieces))
    full[..., : X.shape[1]] = slope.sum(axis=3)[..., None] * X[:, None, None, :]
    full[..., X.shape[1] :] = slope
    return full.reshape(rows, outcomes, -1)


def _parts(rows: int) -> list[Ints]:
    return [np.arange(at, min(at + _CHUNK, rows), dtype=np.int64) for at in range(0, rows, _CHUNK)]


def _incidence(
    fit: CompetingHazards, X: Floats, times: Floats, weights: Floats | None
) -> tuple[Floats, Floats, Floats]:
    """Give times, chances (times, outcomes) averaged over rows, gradient (times, outcomes, parameters)."""
    x = np.atleast_2d(np.asarray(X, dtype=np.float64))
    causes, covariates = fit.coefficients.estimate.shape
    if x.shape[1] != covariates:
        raise ValueError(f"covariate rows have {x.shape[1]} columns, the model has {covariates}")
    w = np.ones(len(x)) if weights is None else np.asarray(weights, dtype=np.float64)
    w = w / w.sum()
    t = np.atleast_1d(np.asarray(times, dtype=np.float64))
    first, last = fit.edges[0], fit.edges[-1]
    if not ((t >= first) & (t <= last * (1 + 1e-12))).all():
        raise ValueError(f"a time lies outside the follow-up: ask for times from {first:g} to {last:g}")
    table = fit.parameters.reshape(causes, -1)
    risk, rate = np.exp(x @ table[:, :covariates].T), np.exp(table[:, covariates:])
    chance = np.empty((len(t), causes + 1))
    gradient = np.empty((len(t), causes + 1, len(fit.parameters)))
    for i, spans in enumerate(overlaps(np.full(len(t), first), t, fit.edges)):
        each, slope = outcome_chances(risk, rate, np.tile(spans, (len(x), 1)))
        chance[i] = w @ each
        gradient[i] = np.tensordot(w, _in_parameters(slope, x), axes=1)
    return t, chance, gradient


def _report(
    likelihood: _Likelihood, fit: Summit, uncertainty: Uncertainty, edges: Floats, notes: list[str]
) -> CompetingHazards:
    causes, p, width = likelihood.causes, likelihood.covariates, likelihood.covariates + likelihood.pieces
    every = uncertainty.linear(fit.theta, np.eye(len(fit.theta)))
    tables = [v.reshape(causes, width) for v in (every.estimate, every.se, every.low, every.high)]
    base = Estimate(*(v[:, p:] for v in tables)).exponential()
    held = [divmod(j, width) for j in likelihood.prior_on]
    return CompetingHazards(
        coefficients=Estimate(*(v[:, :p] for v in tables)),
        baseline=replace(base, se=base.estimate * base.se),
        edges=edges,
        parameters=fit.theta,
        uncertainty=uncertainty,
        log_likelihood=fit.value - likelihood.prior(fit.theta)[0],
        counts=likelihood.counts,
        iterations=fit.steps,
        separated=tuple((cause + 1, j) for cause, j in held if j < p),
        notes=tuple(notes),
    )
