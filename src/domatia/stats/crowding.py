"""Survival that falls as broods get denser: one family from contest to scramble.

Of n larvae at density x the chance of surviving is p = p0 / (1 + (x / c)^b). Survivors per area, p x, level off at
p0 c for b = 1 (contest: the losers of a shared resource cost the winners nothing), fall beyond the best density for
b > 1 (scramble: all suffer), and for b without end are p0 x up to the capacity c and none beyond it (total failure).
With b below 1 crowding costs less than it would take to level off. Survivors vary between broods more than a binomial
allows: beta-binomial with precision f.

Sources
-------
Maynard Smith & Slatkin 1973, Ecology 54:384 (the family); Bellows 1981, J. Animal Ecology 50:139 (it is the most
flexible of those compared); Nicholson 1954, Australian J. Zoology 2:9 (contest and scramble); Hassell 1975, J. Animal
Ecology 44:283 (the other family with b = 1 for contest, whose limit is exponential, not total failure). Intervals by
group: `domatia.stats.clustering`, one-step jackknife.

What it does not cover
----------------------
Survival that rises with density (larvae that help each other): the family cannot rise; `rising` tells. Densities all
alike tell neither b nor c.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import Uncertainty, cluster_codes, clustered_uncertainty, model_uncertainty, sum_by
from domatia.stats.families import LARGEST_LOG_PRECISION, BetaBinomial
from domatia.stats.row_order import canonical_order

Form = Literal["family", "contest", "total failure", "no crowding"]

LARGEST_EXPONENT, SMALLEST_EXPONENT = 60.0, 0.05
_STARTS = (0.7, 1.5, 4.0)
_STEP = 1e-4
_EDGE = 0.02
_WALK = 0.25
_HALVINGS = 7


@dataclass(frozen=True, eq=False)
class Broods:
    """Rows of broods.

    Attributes
    ----------
    larvae, survivors : array (rows,)
        At least one larva, no more survivors than larvae.
    density : array (rows,)
        Larvae per area, positive.
    cluster : array (rows,), optional
        Group of each row.
    """

    larvae: Ints
    survivors: Ints
    density: Floats
    cluster: Ints | None = None


@dataclass(frozen=True, eq=False)
class Crowding:
    """A fitted form.

    Attributes
    ----------
    form : str
    theta : array (4,)
        logit p0, log c, log b, log f. Those that a form does not have are nan, but log b, which is that of the form.
    free : tuple of int
        Entries of theta that were estimated and did not run into a limit.
    log_likelihood : float
        With the binomial constants.
    uncertainty : Uncertainty
        Of theta[free], in that order.
    unbounded : bool
        Whether the exponent ran into its largest value: total failure past capacity fits best.
    """

    form: Form
    theta: Floats
    free: tuple[int, ...]
    log_likelihood: float
    uncertainty: Uncertainty
    unbounded: bool


class _Work:
    """Rows in one order, and the likelihood of a form."""

    def __init__(self, rows: Broods, form: Form) -> None:
        n = np.asarray(rows.larvae, dtype=np.float64)
        k = np.asarray(rows.survivors, dtype=np.float64)
        x = np.asarray(rows.density, dtype=np.float64)
        if not len(n) == len(k) == len(x) or not len(n):
            raise ValueError("broods need larvae, survivors and density, one of each a row")
        if not ((n >= 1).all() and (k >= 0).all() and (k <= n).all()):
            raise ValueError("a brood has at least one larva and no more survivors than larvae")
        if not (np.isfinite(x).all() and (x > 0).all()):
            raise ValueError("densities are positive numbers")
        group = np.zeros(len(n), np.int64) if rows.cluster is None else np.asarray(rows.cluster)
        order = canonical_order(x, n, k, group)
        self.log_x, self.group = np.log(x[order]), group[order]
        self.family = BetaBinomial(k[order], n[order])
        self.form = form
        fixed = {"family": (), "contest": (2,), "total failure": (2,), "no crowding": (1, 2)}[form]
        self.free = [j for j in range(4) if j not in fixed]
        self.exponent = {"contest": 0.0, "total failure": np.log(LARGEST_EXPONENT)}.get(form, np.nan)

    def full(self, free: Floats) -> Floats:
        """Put the free parameters into theta."""
        theta = np.array([np.nan, np.nan, self.exponent, np.nan])
        theta[self.free] = free
        return theta

    def scores(self, theta: Floats) -> tuple[Floats, Floats]:
        """Give the log-likelihood of each row and its slopes in all four parameters."""
        p0 = 1.0 / (1.0 + np.exp(-theta[0]))
        if self.form == "no crowding":
            share, u, b = np.zeros(len(self.log_x)), np.zeros(len(self.log_x)), 0.0
            p = np.full(len(self.log_x), p0)
        else:
            b, u = float(np.exp(theta[2])), self.log_x - theta[1]
            z = np.exp(np.clip(b * u, -600.0, 600.0))
            share = z / (1.0 + z)
            p = np.maximum(p0 / (1.0 + z), 1e-12)
        p = np.clip(p, 1e-12, 1.0 - 1e-9)
        c = self.family.curve(np.log(p / (1.0 - p)), theta[[3]], True)
        per = -c.first / (1.0 - p)
        slopes = np.column_stack([per * (1.0 - p0), per * share * b, -per * share * b * u, -c.by_shape[0][0]])
        return -c.value, slopes

    def bounds(self) -> list[tuple[float, float]]:
        """Give the box to search in."""
        low, high = float(self.log_x.min()), float(self.log_x.max())
        box = [
            (-9.0, 16.0),
            (low - 3.0, high + 3.0),
            (np.log(SMALLEST_EXPONENT), np.log(LARGEST_EXPONENT)),
            (-3.0, LARGEST_LOG_PRECISION - 2.0),
        ]
        return [box[j] for j in self.free]

    def starts(self) -> list[Floats]:
        """Give points to start from: three exponents at two capacities."""
        share = (self.family.successes.sum() + 0.5) / (self.family.trials.sum() + 1.0)
        level = float(np.log(share / (1.0 - share)))
        found = []
        for b in _STARTS if self.form == "family" else (1.0,):
            for q in (0.3, 0.7) if self.form != "no crowding" else (0.5,):
                point = np.array([level + 1.0, float(np.quantile(self.log_x, q)), np.log(b), 1.5])
                found.append(point[self.free])
        return found


def crowding(rows: Broods, form: Form = "family", *, level: float = 0.95) -> Crowding:
    """Fit one form by maximum likelihood.

    Parameters
    ----------
    rows : Broods
    form : {"family", "contest", "total failure", "no crowding"}
        The family with its exponent free, with b = 1, with b at its largest, or survival that does not depend on
        density.
    level : float

    Raises
    ------
    ValueError
        If rows are malformed.
    """
    work = _Work(rows, form)
    point, value = _search(work, work.starts())
    return _described(work, point, value, rows.cluster is not None, level)


def at_exponent(rows: Broods, exponent: float, start: Floats) -> tuple[float, Floats]:
    """Log-likelihood and theta with the exponent held, for a profile; `start` is the theta of a fit nearby.

    Raises
    ------
    ValueError
        If rows are malformed or the exponent is not positive.
    """
    if exponent <= 0.0:
        raise ValueError(f"an exponent of {exponent} is not positive")
    work = _Work(rows, "contest")
    work.exponent = float(np.log(exponent))
    point, value = _search(work, [start[[0, 1, 3]]])
    return value, work.full(point)


def profile(rows: Broods, fit: Crowding, *, scale: float = 1.0, level: float = 0.95) -> tuple[float, float]:
    """Give the ends of the exponent's interval by profile likelihood; 0 or infinity where the family ends first.

    Parameters
    ----------
    rows : Broods
    fit : Crowding
        The fitted family.
    scale : float
        What the drop allowed is multiplied by, such as the ratio of clustered to model variance.
    level : float
    """
    from scipy import special

    drop = float(special.chdtri(1, 1.0 - level)) / 2.0 * scale
    wanted = fit.log_likelihood - drop
    low = _crossing(rows, fit, wanted, np.log(SMALLEST_EXPONENT))
    high = _crossing(rows, fit, wanted, np.log(LARGEST_EXPONENT))
    return 0.0 if low is None else float(np.exp(low)), np.inf if high is None else float(np.exp(high))


def _crossing(rows: Broods, fit: Crowding, wanted: float, end: float) -> float | None:
    """Find between the estimate and the end where the profile falls to `wanted`; None if it does not.

    Walks outwards by steps of `_WALK`, each from the optimum before, and halves the last step.
    """
    near, theta = float(fit.theta[2]), fit.theta
    way = 1.0 if end > near else -1.0
    far = near
    while abs(end - near) > 1e-9:
        far = near + way * min(_WALK, abs(end - near))
        value, there = at_exponent(rows, float(np.exp(far)), theta)
        if value < wanted:
            break
        near, theta = far, there
    else:
        return None
    for _ in range(_HALVINGS):
        middle = (near + far) / 2.0
        value, there = at_exponent(rows, float(np.exp(middle)), theta)
        near, far = (middle, far) if value >= wanted else (near, middle)
        theta = there
    return (near + far) / 2.0


def _search(work: _Work, starts: list[Floats]) -> tuple[Floats, float]:
    from scipy import optimize

    def uphill(free: Floats) -> tuple[float, Floats]:
        value, slopes = work.scores(work.full(free))
        return -float(value.sum()), -slopes.sum(axis=0)[work.free]

    box = work.bounds()
    low, high = (np.array(v) for v in zip(*box, strict=True))
    best: tuple[Floats, float] | None = None
    for start in starts:
        begin = np.clip(start, low + 1e-6, high - 1e-6)
        found = optimize.minimize(
            uphill,
            begin,
            jac=True,
            method="L-BFGS-B",
            bounds=box,
            options={"maxiter": 500, "ftol": 1e-13, "gtol": 1e-7},
        )
        if best is None or -float(found.fun) > best[1] + 1e-9:
            best = np.asarray(found.x, dtype=np.float64), -float(found.fun)
    if best is None:
        raise ValueError("no point to start from")
    return best


def _described(work: _Work, point: Floats, value: float, grouped: bool, level: float) -> Crowding:
    """Add the covariance; parameters that ran into a limit are held there."""
    low, high = (np.array(v) for v in zip(*work.bounds(), strict=True))
    inside = (point > low + _EDGE) & (point < high - _EDGE)
    free = [j for j, i in zip(work.free, inside, strict=True) if i]
    theta = work.full(point)
    codes, groups = cluster_codes(work.group)

    def by_group(at: Floats) -> Floats:
        return sum_by(work.scores(at)[1][:, free], codes, groups)

    information = np.zeros((groups, len(free), len(free)))
    for a, j in enumerate(free):
        up, down = theta.copy(), theta.copy()
        up[j], down[j] = up[j] + _STEP, down[j] - _STEP
        information[:, :, a] = -(by_group(up) - by_group(down)) / (2.0 * _STEP)
    information = (information + information.transpose(0, 2, 1)) / 2.0
    covariance = np.asarray(np.linalg.pinv(information.sum(axis=0), hermitian=True), dtype=np.float64)
    doubt = model_uncertainty(covariance, level)
    if grouped:
        doubt = clustered_uncertainty(
            covariance, by_group(theta), kind="jackknife", level=level, information=information
        )
    top = work.form == "family" and bool(theta[2] > np.log(LARGEST_EXPONENT) - _EDGE)
    return Crowding(work.form, theta, tuple(free), value, doubt, top)


def survival_at(theta: Floats, density: Floats) -> Floats:
    """Chance of surviving at these densities."""
    p0 = 1.0 / (1.0 + np.exp(-theta[0]))
    if np.isnan(theta[2]):
        return np.full(len(density), p0)
    z = np.exp(np.clip(np.exp(theta[2]) * (np.log(density) - theta[1]), -600.0, 600.0))
    return np.asarray(p0 / (1.0 + z), dtype=np.float64)


def best_density(theta: Floats) -> tuple[float, Floats]:
    """Log of the density with the most survivors per area, and its slopes in theta; infinite for b of 1 or less.

    c (b - 1)^(-1 / b), where survivors per area stop rising.
    """
    b = float(np.exp(theta[2]))
    if not b > 1.0:
        return np.inf, np.zeros(4)
    slope = np.zeros(4)
    slope[1] = 1.0
    slope[2] = np.log(b - 1.0) / b - 1.0 / (b - 1.0)
    return float(theta[1] - np.log(b - 1.0) / b), slope


def rising(rows: Broods) -> float:
    """Score, in standard errors over groups, of survival rising with log density; beyond 2 it rises."""
    n, k = np.asarray(rows.larvae, float), np.asarray(rows.survivors, float)
    x = np.log(np.asarray(rows.density, float))
    codes, groups = cluster_codes(np.arange(len(n)) if rows.cluster is None else np.asarray(rows.cluster))
    own = (k - n * k.sum() / n.sum()) * (x - float(n @ x) / n.sum())
    sums = np.bincount(codes, weights=own, minlength=groups)
    spread = float(np.sqrt((sums**2).sum()))
    return float(sums.sum()) / spread if spread > 0.0 else 0.0
