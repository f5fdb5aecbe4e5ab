"""Fitting a multi-state model to a panel: starting values, scoring, information, what could not be learnt."""

from dataclasses import dataclass, field, replace

import numpy as np

from domatia.stats.arrays import Floats
from domatia.stats.clustering import Uncertainty, clustered_uncertainty, model_uncertainty
from domatia.stats.multistate_cells import Cells, collapse
from domatia.stats.multistate_design import Design, make_design
from domatia.stats.multistate_identify import Loose, find_loose, inverse_information
from domatia.stats.multistate_likelihood import Likelihood
from domatia.stats.multistate_pattern import NO_EFFECTS, Effects, Panel, Pattern, checked_panel
from domatia.stats.multistate_peak import Peak, maximise, observed_information

BINS = 20
CHEAP_NUMBERS = 1_200_000
MANY_ROWS = 10_000
INFORMATION = ("auto", "observed", "expected")


@dataclass(frozen=True, eq=False)
class MultistateFit:
    """A fitted multi-state model.

    Attributes
    ----------
    pattern, effects
        What was fitted.
    names
        Names of the P coefficients: the log intensity of each move where all covariates are zero, then the effects.
    coefficients
        Shape (P,), per unit of time and of the covariates as given.
    uncertainty
        Covariance, shape (P, P), of what the data can tell (see `loose`); robust, with t quantiles where clusters are
        few, if clusters were given.
    loose
        Directions in which the log-likelihood is flat, and the names of the coefficients concerned: at the boundary
        (an intensity that goes to zero) or not identified.
    log_likelihood
        At the coefficients.
    information
        'observed' or 'expected': what the model's covariance inverts.
    converged, iterations, largest_gradient
        How the search ended; the gradient is by standardised covariates.
    intervals, subjects, left_out
        What the fit rests on, and the intervals left out by reason.
    mean_covariates
        Means over the intervals, shape (p,): where tables stand unless told otherwise.
    """

    pattern: Pattern
    effects: Effects
    names: tuple[str, ...]
    coefficients: Floats
    uncertainty: Uncertainty
    loose: Loose
    log_likelihood: float
    information: str
    converged: bool
    iterations: int
    largest_gradient: float
    intervals: int
    subjects: int
    left_out: dict[str, int]
    mean_covariates: Floats
    design: Design = field(repr=False)

    @property
    def standard_errors(self) -> Floats:
        """Of the coefficients, shape (P,); infinite where the data cannot tell."""
        errors: Floats = np.sqrt(np.maximum(np.diag(self.uncertainty.covariance), 0.0))
        return np.where(self.loose.touched, np.inf, errors)


def prepare(panel: Panel, pattern: Pattern, effects: Effects = NO_EFFECTS) -> Likelihood:
    """Check and collapse a panel and set up its likelihood.

    Raises
    ------
    ValueError
        If the panel does not fit the pattern or the effects; the message counts what is wrong.
    """
    if effects.labels.size and effects.labels.shape[1] != pattern.moves:
        raise ValueError(f"the effects speak of {effects.labels.shape[1]} moves, the pattern of {pattern.moves}")
    return _prepare(checked_panel(panel, pattern, effects), pattern, effects)


def _prepare(checked: Panel, pattern: Pattern, effects: Effects) -> Likelihood:
    cells = collapse(checked, pattern)
    weights = _visits_a_row(cells)
    return Likelihood(pattern, cells, make_design(pattern, effects, cells.covariates, weights))


def _visits_a_row(cells: Cells) -> Floats:
    """Count the intervals at each covariate row, shape (C,)."""
    count = len(cells.covariates)
    weights = np.zeros(count)
    weights += np.bincount(cells.row_covariates[cells.pair_row], cells.pair_count, minlength=count)
    if cells.chains is not None:
        weights += np.bincount(cells.chains.covariates, minlength=count)
    return weights


def log_likelihood(panel: Panel, pattern: Pattern, effects: Effects, coefficients: Floats) -> float:
    """Log-likelihood at given coefficients (in the order and units of `MultistateFit.coefficients`)."""
    likelihood = prepare(panel, pattern, effects)
    return likelihood.value(likelihood.design.from_raw @ np.asarray(coefficients, np.float64))


def fit_multistate(
    panel: Panel,
    pattern: Pattern,
    effects: Effects = NO_EFFECTS,
    *,
    start: Floats | None = None,
    information: str = "auto",
) -> MultistateFit:
    """Fit a continuous-time Markov multi-state model to a panel by maximum likelihood.

    Parameters
    ----------
    panel
        The visits. With `cluster` the covariance is robust to dependence within clusters.
    pattern, effects
        Allowed moves, and which covariate acts on which.
    start
        Coefficients to start from; crude rates if left out.
    information
        'observed' (by central differences of the exact gradient), 'expected', or 'auto': observed unless that would
        take long.

    Raises
    ------
    ValueError
        If the panel does not fit the pattern, or the options are wrong.

    Notes
    -----
    Scoring after Kalbfleisch and Lawless (1985), Journal of the American Statistical Association 80: 863–871.
    Covariates that change between two visits are held at the earlier visit's values. Intensities do not depend on
    the time already spent in a state. A move that was possible but never seen ends at intensity zero and is named
    in `loose.boundary`.
    """
    if information not in INFORMATION:
        raise ValueError(f"no information {information!r}; choose one of {list(INFORMATION)}")
    if effects.labels.size and effects.labels.shape[1] != pattern.moves:
        raise ValueError(f"the effects speak of {effects.labels.shape[1]} moves, the pattern of {pattern.moves}")
    checked = checked_panel(panel, pattern, effects)
    likelihood = _prepare(checked, pattern, effects)
    theta = _start(checked, likelihood, effects, start)
    refuse_zero(likelihood, theta)
    peak = maximise(likelihood, theta, frozen=_dear(likelihood))
    return _report(likelihood, effects, peak, _choose(likelihood, information))


def _information(likelihood: Likelihood, peak: Peak, wanted: str) -> tuple[Floats, str]:
    """Observed information if wanted and to be had; next to the edge of what can be computed, the expected one."""
    if wanted == "observed":
        try:
            return observed_information(likelihood, peak.theta), wanted
        except OverflowError:
            pass
    return peak.information, "expected"


def refuse_zero(likelihood: Likelihood, theta: Floats) -> None:
    """Raise a ValueError if something seen has probability zero whatever the intensities."""
    if not np.isfinite(likelihood.value(theta)):
        raise ValueError(
            "the visits have probability zero: a run of visits with several possible states fits no route of the "
            "pattern; allow a move or widen the possible states"
        )


def _choose(likelihood: Likelihood, information: str) -> str:
    if information != "auto":
        return information
    work = 2 * likelihood.size * len(likelihood.cells.row_cell)
    return "observed" if work < CHEAP_NUMBERS else "expected"


def _start(panel: Panel, likelihood: Likelihood, effects: Effects, start: Floats | None) -> Floats:
    if start is not None:
        given = np.asarray(start, np.float64)
        if given.shape != (likelihood.size,) or not np.isfinite(given).all():
            raise ValueError(f"`start` needs {likelihood.size} finite coefficients: {list(likelihood.design.names)}")
        inner: Floats = likelihood.design.from_raw @ given
        return inner
    if panel.covariates is None or not _dear(likelihood):
        return crude_start(likelihood)
    rough = _prepare(replace(panel, covariates=_binned(panel.covariates)), likelihood.pattern, effects)
    if _dear(rough):
        return crude_start(likelihood)
    peak = maximise(rough, crude_start(rough), tolerance=1e-4)
    result: Floats = likelihood.design.from_raw @ rough.design.to_raw @ peak.theta
    return result


def _dear(likelihood: Likelihood) -> bool:
    """Whether the information costs so much that it is worth keeping."""
    return len(likelihood.cells.row_cell) > MANY_ROWS


def _binned(covariates: Floats) -> Floats:
    """Replace each covariate of many values by its mean within quantile bins."""
    binned = covariates.copy()
    for number, column in enumerate(covariates.T):
        if len(np.unique(column)) <= BINS:
            continue
        cuts = np.unique(np.quantile(column, np.linspace(0, 1, BINS + 1)[1:-1]))
        group = np.searchsorted(cuts, column, side="right")
        count = np.maximum(np.bincount(group), 1)
        binned[:, number] = (np.bincount(group, column) / count)[group]
    return binned


def crude_start(likelihood: Likelihood) -> Floats:
    """Inner coefficients from crude rates: moves seen between neighbouring visits over the time at their origin."""
    cells, pattern = likelihood.cells, likelihood.pattern
    begin = cells.row_start[cells.pair_row]
    time = np.bincount(begin, cells.pair_count * cells.row_dt[cells.pair_row], minlength=pattern.size)
    seen = np.zeros((pattern.size, pattern.size))
    np.add.at(seen, (begin, cells.pair_to), cells.pair_count)
    rate = (seen[pattern.origin, pattern.target] + 0.5) / np.maximum(time[pattern.origin], 1e-300)
    usual = 1.0 / max(float(np.mean(cells.cell_dt)), 1e-300)
    theta = np.zeros(likelihood.size)
    theta[: pattern.moves] = np.log(np.where(time[pattern.origin] > 0, np.minimum(rate, 10 * usual), 0.1 * usual))
    return theta


def _report(likelihood: Likelihood, effects: Effects, peak: Peak, information: str) -> MultistateFit:
    cells, design = likelihood.cells, likelihood.design
    inner, information = _information(likelihood, peak, information)
    loose = find_loose(likelihood, peak.theta, inner)
    turn = design.to_raw
    model = turn @ inverse_information(inner, loose) @ turn.T
    if cells.clusters is None:
        uncertainty = model_uncertainty(model)
    else:
        scores = likelihood.cluster_scores(peak.theta) @ design.from_raw
        uncertainty = clustered_uncertainty(model, scores, kind="CR1")
    return MultistateFit(
        pattern=likelihood.pattern,
        effects=effects,
        names=design.names,
        coefficients=turn @ peak.theta,
        uncertainty=uncertainty,
        loose=loose,
        log_likelihood=peak.value,
        information=information,
        converged=peak.converged,
        iterations=peak.iterations,
        largest_gradient=float(np.abs(peak.gradient).max()),
        intervals=cells.intervals,
        subjects=cells.subjects,
        left_out=cells.left_out,
        mean_covariates=design.centre,
        design=design,
    )
