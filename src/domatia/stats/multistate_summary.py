"""What a fitted multi-state model says: intensities, stays, hazard ratios, transition matrices, occupancy.

Intervals are by the delta method: on the log scale for rates, stays and ratios, on the logit scale for probabilities.
Where the data cannot tell (see `MultistateFit.loose`) the standard error is infinite and the interval open; where only
moves never seen are to blame, it ends at what their upper limits give.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.clustering import Estimate, standard_errors
from domatia.stats.multistate_fit import MultistateFit
from domatia.stats.transition_rows import Rows


@dataclass(frozen=True, eq=False)
class MoveTable:
    """Estimates for moves, one entry each: origin and target codes and the numbers.

    `covariate` is the number of the covariate a hazard ratio belongs to (−1 in a table of intensities); `boundary` says
    where the estimate lies at zero or infinity or is not identified, so that its interval is open.
    """

    covariate: Ints
    origin: Ints
    target: Ints
    value: Estimate
    boundary: Bools


@dataclass(frozen=True, eq=False)
class StateTable:
    """Estimates for states, one entry each: the states' codes and the numbers."""

    state: Ints
    value: Estimate


@dataclass(frozen=True, eq=False)
class LongRun:
    """Shares of the states in the long run.

    `conditional` is True where some state is never left: the shares are then those among subjects that have not
    reached it (the quasi-stationary distribution).
    """

    table: StateTable
    conditional: bool


def _rows_at(fit: MultistateFit, at: Floats | None, count: int) -> Floats:
    """Covariate rows of shape (count, p); the means where none are given."""
    given = fit.mean_covariates if at is None else np.asarray(at, np.float64)
    rows = np.atleast_2d(given) if given.size else np.zeros((1, 0))
    if rows.shape[1] != len(fit.effects.names) or len(rows) not in (1, count):
        raise ValueError(
            f"`at` has shape {given.shape}; give {len(fit.effects.names)} covariates {list(fit.effects.names)}, "
            f"one row or {count}"
        )
    return np.broadcast_to(rows, (count, rows.shape[1]))


def log_intensities(fit: MultistateFit, rows: Floats) -> tuple[Floats, Floats]:
    """Log intensities (C, J) at covariate rows, and their derivatives by the coefficients (C, J, P)."""
    lined = np.hstack([np.ones((len(rows), 1)), rows])
    spread = fit.design.spread_map.reshape(lined.shape[1], fit.pattern.moves, -1)
    derivative = np.einsum("cu,ujp->cjp", lined, spread)
    return derivative @ fit.coefficients, derivative


def _spread(fit: MultistateFit, gradient: Floats) -> tuple[Floats, Bools]:
    """Find standard errors of numbers with these derivatives (n, P): infinite along flat directions, and where so."""
    inner = gradient @ fit.design.to_raw
    flat = np.linalg.norm(inner @ fit.loose.directions, axis=1) > 1e-6 * np.maximum(
        np.linalg.norm(inner, axis=1), 1e-12
    )
    errors = standard_errors(gradient, fit.uncertainty.covariance)
    return np.where(flat, np.inf, errors), flat


def _log_interval(fit: MultistateFit, log_value: Floats, gradient: Floats, level: float) -> tuple[Estimate, Bools]:
    """Interval of exp(log_value), made on the log scale; `gradient` is that of the logarithm."""
    errors, flat = _spread(fit, gradient)
    quantile = replace(fit.uncertainty, level=level).quantile
    value = np.exp(log_value)
    with np.errstate(over="ignore"):
        low, high = np.exp(log_value - quantile * errors), np.exp(log_value + quantile * errors)
        return Estimate(value, value * errors, low, high), flat


def _share_interval(fit: MultistateFit, share: Floats, gradient: Floats, level: float) -> Estimate:
    """Interval of probabilities, made on the logit scale; 0 and 1 stay as they are."""
    errors, _ = _spread(fit, gradient)
    quantile = replace(fit.uncertainty, level=level).quantile
    inside = (share > 1e-14) & (share < 1.0 - 1e-14)
    safe = np.where(inside, share, 0.5)
    centre, width = np.log(safe / (1 - safe)), quantile * errors / (safe * (1 - safe))
    with np.errstate(over="ignore"):
        low = np.where(inside, 1 / (1 + np.exp(width - centre)), share)
        high = np.where(inside, 1 / (1 + np.exp(-width - centre)), share)
    return Estimate(share, np.where(inside, errors, 0.0), low, high)


def _limits(fit: MultistateFit, level: float) -> Floats:
    """Upper limits of the intensities that have gone to zero, not a number for other moves, shape (J,)."""
    limits: Floats = -np.log(1.0 - level) / fit.loose.exposure
    return limits


def _at_limits(fit: MultistateFit, level: float) -> MultistateFit | None:
    """Put moves never seen at their upper limits; None where something else is loose too."""
    limits = _limits(fit, level)
    zero = np.isfinite(limits)
    spread = fit.design.spread_map.reshape(-1, fit.pattern.moves, len(fit.coefficients))
    only_zero = ~(spread[:, ~zero] != 0).any((0, 1))
    if not zero.any() or (fit.loose.touched & ~only_zero).any():
        return None
    coefficients = np.where(only_zero, 0.0, fit.coefficients)
    coefficients[: fit.pattern.moves][zero] = np.log(limits[zero])
    return replace(fit, coefficients=coefficients)


def _bounded(found: Estimate, at_limits: Floats | None) -> Estimate:
    """Replace open intervals by those that reach from the estimate to its value with unseen moves at their limits."""
    if at_limits is None:
        return found
    flat = np.isinf(found.se)
    low = np.where(flat, np.minimum(found.estimate, at_limits), found.low)
    high = np.where(flat, np.maximum(found.estimate, at_limits), found.high)
    return Estimate(found.estimate, found.se, low, high)


def intensities(fit: MultistateFit, at: Floats | None = None, level: float = 0.95) -> MoveTable:
    """Intensities of the moves, per unit of time, at one covariate row (the means if left out).

    A move that was possible and never seen has an upper limit from the time at risk (see `Loose.exposure`).
    """
    log_rates, derivative = log_intensities(fit, _rows_at(fit, at, 1))
    value, flat = _log_interval(fit, log_rates[0], derivative[0], level)
    limits = _limits(fit, level)
    nothing = np.full(fit.pattern.moves, -1, np.int64)
    bounded = Estimate(value.estimate, value.se, value.low, np.where(np.isfinite(limits), limits, value.high))
    return MoveTable(nothing, fit.pattern.origin, fit.pattern.target, bounded, flat)


def hazard_ratios(fit: MultistateFit, unit: Floats | None = None, level: float = 0.95) -> MoveTable:
    """Ratios of intensities for a step in each covariate, one entry for each covariate and move it acts on.

    Parameters
    ----------
    unit
        Size of the step in each covariate, shape (p,); 1 if left out.
    """
    steps = np.ones(len(fit.effects.names)) if unit is None else np.asarray(unit, np.float64)
    covariate, move = np.nonzero(fit.effects.labels >= 0)
    width = fit.pattern.moves
    gradient = fit.design.spread_map[(1 + covariate) * width + move] * steps[covariate, None]
    value, flat = _log_interval(fit, gradient @ fit.coefficients, gradient, level)
    return MoveTable(covariate, fit.pattern.origin[move], fit.pattern.target[move], value, flat)


def mean_stay(fit: MultistateFit, at: Floats | None = None, level: float = 0.95) -> StateTable:
    """Mean length of one stay in each state that can be left, at one covariate row."""
    log_rates, derivative = log_intensities(fit, _rows_at(fit, at, 1))
    state = np.flatnonzero(~fit.pattern.absorbing)
    leaves = (fit.pattern.origin == state[:, None]) * np.exp(log_rates[0])
    total = leaves.sum(1)
    gradient = -(leaves / total[:, None]) @ derivative[0]
    value, _ = _log_interval(fit, -np.log(total), gradient, level)
    limit = _at_limits(fit, level)
    if limit is None:
        return StateTable(state, value)
    fastest = (fit.pattern.origin == state[:, None]) @ np.exp(log_intensities(limit, _rows_at(fit, at, 1))[0][0])
    bounded = _bounded(value, 1.0 / fastest)
    return StateTable(state, replace(bounded, high=np.where(np.isinf(value.se), np.inf, value.high)))


def next_state(fit: MultistateFit, at: Floats | None = None, level: float = 0.95) -> MoveTable:
    """Chance that the next move out of the origin is this one, at one covariate row."""
    log_rates, derivative = log_intensities(fit, _rows_at(fit, at, 1))
    same = fit.pattern.origin[:, None] == fit.pattern.origin
    rates = np.exp(log_rates[0])
    share = rates / (same @ rates)
    gradient = share[:, None] * (derivative[0] - (same * share) @ derivative[0])
    value = _share_interval(fit, share, gradient, level)
    nothing = np.full(fit.pattern.moves, -1, np.int64)
    return MoveTable(nothing, fit.pattern.origin, fit.pattern.target, value, _spread(fit, gradient)[1])


def _matrix(fit: MultistateFit, durations: Floats, rows: Floats) -> tuple[Floats, Floats]:
    """Transition matrix over successive spans, and its derivative by the coefficients, (S, S) and (S, S, P)."""
    size, count = fit.pattern.size, len(durations)
    log_rates, by_coefficients = log_intensities(fit, rows)
    cell, start = np.repeat(np.arange(count), size), np.tile(np.arange(size), count)
    none = np.zeros(0, np.int64)
    engine = Rows(fit.pattern, np.arange(count), durations, cell, start, True).engine(np.exp(log_rates), (none, none))
    parts = engine.probabilities().reshape(count, size, size)
    slopes = np.concatenate([slope for _, slope in engine.jacobians()]).reshape(count, size, size, -1)
    total, derivative = np.eye(size), np.zeros((size, size, len(fit.coefficients)))
    for part, slope, turn in zip(parts, slopes, by_coefficients, strict=True):
        derivative = np.einsum("abp,bc->acp", derivative, part) + np.einsum("ab,bcj,jp->acp", total, slope, turn)
        total = total @ part
    return total, derivative


def transition_matrix(
    fit: MultistateFit, durations: Floats | float, at: Floats | None = None, level: float = 0.95
) -> Estimate:
    """Probabilities of each state (columns) after a time, by the state at its beginning (rows).

    Parameters
    ----------
    durations
        The time, or the lengths of successive spans, shape (m,) (for covariates that change, such as the season).
    at
        Covariates, one row or one for each span; the means if left out.

    Returns
    -------
    Estimate
        Every field of shape (S, S).
    """
    spans = _spans(durations)
    total, derivative = _matrix(fit, spans, _rows_at(fit, at, len(spans)))
    cells = _share_interval(fit, total.ravel(), derivative.reshape(total.size, -1), level)
    shape = total.shape
    found = Estimate(total, cells.se.reshape(shape), cells.low.reshape(shape), cells.high.reshape(shape))
    limit = _at_limits(fit, level)
    return _bounded(found, None if limit is None else _matrix(limit, spans, _rows_at(fit, at, len(spans)))[0])


def _spans(durations: Floats | float) -> Floats:
    spans = np.atleast_1d(np.asarray(durations, np.float64))
    if not (np.isfinite(spans) & (spans >= 0)).all():
        raise ValueError(f"a time must be a finite number, zero or more; got {durations}")
    return spans


def occupancy(
    fit: MultistateFit, start: Floats, durations: Floats | float, at: Floats | None = None, level: float = 0.95
) -> StateTable:
    """Shares of the states after a time, from shares `start` of shape (S,); arguments as for `transition_matrix`."""
    shares = np.asarray(start, np.float64)
    if shares.shape != (fit.pattern.size,) or (shares < 0).any() or not np.isclose(shares.sum(), 1.0):
        raise ValueError(f"`start` needs {fit.pattern.size} shares that sum to one; got {shares.tolist()}")
    spans = _spans(durations)
    total, derivative = _matrix(fit, spans, _rows_at(fit, at, len(spans)))
    value = _share_interval(fit, shares @ total, np.einsum("a,abp->bp", shares, derivative), level)
    limit = _at_limits(fit, level)
    far = None if limit is None else shares @ _matrix(limit, spans, _rows_at(fit, at, len(spans)))[0]
    return StateTable(np.arange(fit.pattern.size), _bounded(value, far))


def long_run(fit: MultistateFit, at: Floats | None = None, level: float = 0.95) -> LongRun:
    """Shares of the states in the long run at one covariate row.

    Raises
    ------
    ValueError
        If the long run depends on where one starts.
    """
    log_rates, derivative = log_intensities(fit, _rows_at(fit, at, 1))
    state = np.flatnonzero(~fit.pattern.absorbing)
    shares = _settled_shares(fit, state, log_rates[0])
    slopes = np.empty((len(state), fit.pattern.moves))
    for move in range(fit.pattern.moves):
        shift = np.zeros(fit.pattern.moves)
        shift[move] = 1e-5
        ahead = _settled_shares(fit, state, log_rates[0] + shift)
        slopes[:, move] = (ahead - _settled_shares(fit, state, log_rates[0] - shift)) / 2e-5
    value = _share_interval(fit, shares, slopes @ derivative[0], level)
    return LongRun(StateTable(state, value), bool(fit.pattern.absorbing.any()))


def _settled_shares(fit: MultistateFit, state: Ints, log_rates: Floats) -> Floats:
    """Left eigenvector of the slowest-decaying part among the states that can be left."""
    generator = fit.pattern.generators(np.exp(log_rates)[None])[0][np.ix_(state, state)]
    values, vectors = np.linalg.eig(generator.T)
    order = np.argsort(-values.real)
    if len(order) > 1 and values.real[order[0]] - values.real[order[1]] < 1e-9 * np.abs(values).max():
        raise ValueError("the states fall into parts that do not reach one another; the long run depends on the start")
    shares = np.abs(vectors[:, order[0]].real)
    result: Floats = shares / shares.sum()
    return result


def draw_coefficients(fit: MultistateFit, count: int, rng: np.random.Generator) -> Floats:
    """Draw coefficients from their approximate normal distribution, shape (count, P); flat directions stay put."""
    values, vectors = np.linalg.eigh(fit.uncertainty.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    result: Floats = fit.coefficients + rng.standard_normal((count, len(values))) @ root.T
    return result


def interval_by_draws(
    fit: MultistateFit,
    summary: Callable[[MultistateFit], Floats],
    rng: np.random.Generator,
    count: int = 1000,
    level: float = 0.95,
) -> Estimate:
    """Interval of any summary from draws of the coefficients: quantiles at (1 ± level)/2.

    Parameters
    ----------
    summary
        Takes a fit (with drawn coefficients in place) and gives an array, always of the same shape.
    """
    draws = np.array([summary(replace(fit, coefficients=one)) for one in draw_coefficients(fit, count, rng)])
    tails = [(1 - level) / 2, (1 + level) / 2]
    low, high = np.quantile(draws, tails, axis=0)
    return Estimate(np.asarray(summary(fit), np.float64), draws.std(0, ddof=1), low, high)
