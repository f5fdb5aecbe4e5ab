"""Shared frailty: groups whose members die faster or slower together, in the model of `interval_hazard`.

Every group g has a frailty u_g that multiplies the hazard of all its rows,

    P(alive at stop | u) = exp(-u H),    log u ~ Normal(0, v)  or  u ~ Gamma(mean 1, variance v),

and is integrated out by adaptive Gauss-Hermite quadrature over log u around each group's own mode (Liu &
Pierce 1994, Biometrika 81:624). Effects are *within* a group of given frailty; the sandwich of
`interval_hazard` answers for the average over groups instead. With deaths known only to an interval the
gamma integral has no short closed form, so both families are integrated the same way.

The likelihood-ratio test against no frailty has half its mass at zero, because a variance cannot be
negative (Self & Liang 1987, JASA 82:605). The interval of the variance is by profile likelihood.

Not covered: frailty of single individuals beside that of groups, and frailty that changes with time.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import Estimate, Uncertainty, cluster_codes, model_uncertainty, two_sided_quantile
from domatia.stats.interval_hazard import IntervalHazard, IntervalRows, Likelihood, interval_hazard, overlaps

Family = Literal["normal", "gamma"]

_NODES = 25
_SMALLEST, _LARGEST = 1e-6, 100.0


@dataclass(frozen=True, eq=False)
class Frailty:
    """A fitted model.

    Attributes
    ----------
    family : {"normal", "gamma"}
    coefficients : Estimate, arrays (covariates,)
        Log hazard ratios within a group.
    baseline : Estimate, arrays (pieces,)
        Hazard in each piece for covariates zero and frailty 1.
    edges : array (pieces + 1,)
    parameters : array (covariates + pieces,)
        Coefficients, then log baseline hazards; `uncertainty.covariance` is in this order.
    uncertainty : Uncertainty
        From the observed information, the variance estimated along.
    variance : Estimate, arrays (1,)
        Variance of log u (normal) or of u (gamma); 0 where no frailty fits best. `se` is nan: the interval
        is by profile likelihood.
    log_likelihood, log_likelihood_without : float
        With frailty, and without.
    ratio_statistic, p_value : float
        Likelihood-ratio test against no frailty.
    clusters : int
    notes : tuple of str
    """

    family: Family
    coefficients: Estimate
    baseline: Estimate
    edges: Floats
    parameters: Floats
    uncertainty: Uncertainty
    variance: Estimate
    log_likelihood: float
    log_likelihood_without: float
    ratio_statistic: float
    p_value: float
    clusters: int
    notes: tuple[str, ...]


def frailty(
    rows: IntervalRows, cuts: Floats | None = None, *, family: Family = "normal", level: float = 0.95
) -> Frailty:
    """Fit the model.

    Parameters
    ----------
    rows : IntervalRows
        With `cluster`: the groups that share a frailty.
    cuts : array, optional
        As in `interval_hazard`.
    family : {"normal", "gamma"}
        Distribution of the frailty.
    level : float
        Level of the intervals.

    Raises
    ------
    ValueError
        As `interval_hazard`; also without at least two groups or with an unknown family.
    """
    if family not in ("normal", "gamma"):
        raise ValueError(f"frailty family {family!r} is unknown; choose normal or gamma")
    if rows.cluster is None or len(np.unique(rows.cluster)) < 2:
        raise ValueError("a shared frailty needs at least two groups; give `cluster`")
    without = interval_hazard(rows, cuts, kind="model", level=level)
    work = _Marginal(rows.checked(), without, family)
    place, value = work.maximise(np.append(np.zeros(work.size), np.log(0.2)))
    variance = float(np.exp(place[-1]))
    null = without.log_likelihood + work.likelihood.prior(without.parameters)[0]
    if variance < 10.0 * _SMALLEST or value <= null + 1e-9:
        variance, place, value = 0.0, np.append(np.zeros(work.size), np.log(_SMALLEST)), null
    low, high = _profile(work, place, value, null, level)
    theta = work.parameters(place)
    doubt = model_uncertainty(work.covariance(place) if variance > 0.0 else without.uncertainty.covariance, level)
    return _report(
        work, without, theta, doubt, Estimate(*(np.array([v]) for v in (variance, np.nan, low, high))), value
    )


def _report(
    work: "_Marginal",
    without: IntervalHazard,
    theta: Floats,
    doubt: Uncertainty,
    variance: Estimate,
    value: float,
) -> Frailty:
    from scipy import special

    p = work.likelihood.covariates
    unit = np.eye(len(theta))
    log_base = doubt.linear(theta[p:], unit[p:])
    base = log_base.exponential()
    reached = value - work.likelihood.prior(theta)[0]
    statistic = max(2.0 * (reached - without.log_likelihood), 0.0)
    notes = list(without.notes)
    if variance.estimate[0] == 0.0:
        notes.append("Groups differ no more than chance would make them: the frailty variance is estimated as 0.")
    return Frailty(
        family=work.family,
        coefficients=doubt.linear(theta[:p], unit[:p]),
        baseline=replace(base, se=base.estimate * base.se),
        edges=without.edges,
        parameters=theta,
        uncertainty=doubt,
        variance=variance,
        log_likelihood=reached,
        log_likelihood_without=without.log_likelihood,
        ratio_statistic=statistic,
        p_value=0.5 * float(special.erfc(np.sqrt(statistic / 2.0))) if statistic > 0.0 else 1.0,
        clusters=work.groups,
        notes=tuple(notes),
    )


class _Marginal:
    """Log-likelihood with the frailty integrated out.

    Places are (steps away from the fit without frailty, in units of its covariance's root; log variance),
    which makes all directions alike for the optimiser.
    """

    def __init__(self, rows: IntervalRows, without: IntervalHazard, family: Family) -> None:
        self.family = family
        self.likelihood = Likelihood(rows, overlaps(rows.start, rows.stop, without.edges), without.separated)
        self.codes, self.groups = _codes(rows)
        self.dead = np.flatnonzero(self.likelihood.died)
        self.alive = (~self.likelihood.died).astype(np.float64)
        self.origin = without.parameters
        self.size = len(self.origin)
        values, vectors = np.linalg.eigh(without.uncertainty.covariance)
        self.root = vectors * np.sqrt(np.maximum(values, 0.0))
        self.x, self.log_w = _nodes(_NODES)
        self.mode = np.zeros(self.groups)

    def parameters(self, place: Floats) -> Floats:
        return np.asarray(self.origin + self.root @ place[:-1], dtype=np.float64)

    def terms(self, place: Floats) -> tuple[float, Floats]:
        """Log-likelihood with prior, and its gradient in the place."""
        theta, v = self.parameters(place), float(np.exp(place[-1]))
        hazard, D = self.likelihood.design(theta)
        exposed = np.bincount(self.codes, hazard * self.alive, self.groups).astype(np.float64)
        dying, whose = hazard[self.dead], self.codes[self.dead]
        width = self._find_modes(exposed, dying, whose, v)
        b = self.mode[:, None] + np.sqrt(2.0) * width[:, None] * self.x
        inside, slopes = self._at(b, exposed, dying, whose)
        density, slope_v = self._density(b, v)
        logs = self.log_w + inside + density
        top = logs.max(axis=1, keepdims=True)
        mass = np.exp(logs - top)
        total = mass.sum(axis=1)
        value = float((top[:, 0] + np.log(total) + np.log(np.sqrt(2.0) * width)).sum())
        share = mass / total[:, None]
        pull = -hazard * self.alive * (share * np.exp(b)).sum(axis=1)[self.codes]
        pull[self.dead] = (share[whose] * slopes).sum(axis=1)
        prior, prior_slope, _ = self.likelihood.prior(theta)
        gradient = self.root.T @ (D.T @ pull + prior_slope)
        return value + prior, np.append(gradient, float((share * slope_v).sum()))

    def maximise(self, place: Floats, hold_variance: bool = False) -> tuple[Floats, float]:
        """Climb by L-BFGS from a place; `hold_variance` keeps the last entry as it is."""
        from scipy import optimize

        def minus(q: Floats) -> tuple[float, Floats]:
            value, gradient = self.terms(q)
            return -value, -gradient

        ends = (place[-1], place[-1]) if hold_variance else (np.log(_SMALLEST), np.log(_LARGEST))
        bounds = [(-20.0, 20.0)] * self.size + [(float(ends[0]), float(ends[1]))]
        found = optimize.minimize(
            minus, place, jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-14, "gtol": 1e-7}
        )
        return np.asarray(found.x, dtype=np.float64), -float(found.fun)

    def covariance(self, place: Floats) -> Floats:
        """Covariance of coefficients and log baseline from differences of the exact gradient."""
        size = self.size + 1
        curve = np.empty((size, size))
        for j, step in enumerate(1e-3 * np.eye(size)):
            curve[j] = (self.terms(place - step)[1] - self.terms(place + step)[1]) / 2e-3
        inverse = np.linalg.pinv((curve + curve.T) / 2.0, hermitian=True)[:-1, :-1]
        return np.asarray(self.root @ inverse @ self.root.T, dtype=np.float64)

    def _find_modes(self, exposed: Floats, dying: Floats, whose: Ints, v: float) -> Floats:
        """Newton to the mode of each group's log frailty; gives the widths there."""
        for _ in range(100):
            grown = np.exp(self.mode)
            h = np.maximum(dying * grown[whose], 1e-300)
            gone = -np.expm1(-h)
            slope = h * np.exp(-np.minimum(h, 700.0)) / gone
            bend = np.bincount(whose, slope * (1.0 - h / gone), self.groups) - exposed * grown
            push = np.bincount(whose, slope, self.groups) - exposed * grown
            if self.family == "normal":
                push, bend = push - self.mode / v, bend - 1.0 / v
            else:
                push, bend = push + (1.0 - grown) / v, bend - grown / v
            move = np.clip(-push / bend, -2.0, 2.0)
            self.mode = self.mode + move
            if float(np.abs(move).max()) < 1e-11:
                break
        return np.asarray(1.0 / np.sqrt(-bend), dtype=np.float64)

    def _at(self, b: Floats, exposed: Floats, dying: Floats, whose: Ints) -> tuple[Floats, Floats]:
        """Log-likelihood of each group at each node, and the slope of each death there."""
        h = np.maximum(dying[:, None] * np.exp(b)[whose], 1e-300)
        gone = -np.expm1(-h)
        logs = np.log(gone)
        inside = -exposed[:, None] * np.exp(b)
        for q in range(b.shape[1]):
            inside[:, q] += np.bincount(whose, logs[:, q], self.groups)
        return inside, h * np.exp(-np.minimum(h, 700.0)) / gone

    def _density(self, b: Floats, v: float) -> tuple[Floats, Floats]:
        """Log density of the log frailty, and its derivative in log variance."""
        from scipy import special

        if self.family == "normal":
            squares = b * b / v
            return -0.5 * (squares + np.log(2.0 * np.pi * v)), 0.5 * (squares - 1.0)
        k = 1.0 / v
        grown = np.exp(b)
        constant = k * np.log(k) - float(special.gammaln(k))
        slope = np.log(k) + 1.0 - float(special.digamma(k)) + b - grown
        return constant + k * (b - grown), -k * slope


def _codes(rows: IntervalRows) -> tuple[Ints, int]:
    if rows.cluster is None:
        raise ValueError("a shared frailty needs groups; give `cluster`")
    return cluster_codes(rows.cluster)


def _nodes(count: int) -> tuple[Floats, Floats]:
    """Gauss-Hermite nodes, and the logs of their weights times exp(x^2)."""
    x, w = np.polynomial.hermite.hermgauss(count)
    return np.asarray(x, dtype=np.float64), np.asarray(np.log(w) + x * x, dtype=np.float64)


def _profile(work: _Marginal, place: Floats, value: float, null: float, level: float) -> tuple[float, float]:
    """Variances at which the profile log-likelihood has fallen by half the squared quantile."""
    from scipy import optimize

    fall = two_sided_quantile(level) ** 2 / 2.0

    def short(log_variance: float) -> float:
        _, there = work.maximise(np.append(place[:-1], log_variance), hold_variance=True)
        return there - value + fall

    best, low = float(place[-1]), 0.0
    if null < value - fall:
        low = float(np.exp(optimize.brentq(short, np.log(_SMALLEST), best, xtol=1e-4)))
    upper = max(best, np.log(1e-3))
    while upper < np.log(_LARGEST):
        upper += 1.0
        if short(upper) < 0.0:
            return low, float(np.exp(optimize.brentq(short, max(best, upper - 1.0), upper, xtol=1e-4)))
    return low, np.inf
