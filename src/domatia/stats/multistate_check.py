"""Holding a multi-state model against what was seen: transitions between visits, and shares of the states over time."""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.multistate_fit import MultistateFit, prepare
from domatia.stats.multistate_pattern import Panel, checked_panel
from domatia.stats.multistate_summary import log_intensities
from domatia.stats.transition_rows import Rows


@dataclass(frozen=True, eq=False)
class TransitionTable:
    """Transitions between neighbouring visits, seen and expected.

    Attributes
    ----------
    edges
        Bounds of the classes of elapsed time, shape (b + 1,).
    observed, expected
        Counts by class, state before and state after, shape (b, S, S).
    dated
        True where some state's entry is exactly dated. Its visits are then not planned ones, so that its expected
        counts are too small and those beside it too large; use `prevalence`.
    """

    edges: Floats
    observed: Floats
    expected: Floats
    dated: bool


def transition_table(panel: Panel, fit: MultistateFit, edges: Floats | None = None) -> TransitionTable:
    """Count transitions between neighbouring visits with known states, and what the fitted model expects.

    Parameters
    ----------
    edges
        Bounds of classes of elapsed time, rising, shape (b + 1,); a class holds its lower bound. One class of all
        times if left out. Intervals outside are not counted.

    Notes
    -----
    After Aguirre-Hernández and Farewell (2002), Statistics in Medicine 21: 1899–1911, without their test, whose
    distribution is not chi-squared.
    """
    likelihood = prepare(panel, fit.pattern, fit.effects)
    probabilities = likelihood.expected(likelihood.design.from_raw @ fit.coefficients)
    cells, size = likelihood.cells, fit.pattern.size
    bounds = np.array([0.0, np.inf]) if edges is None else np.asarray(edges, np.float64)
    if bounds.ndim != 1 or len(bounds) < 2 or not (np.diff(bounds) > 0).all():
        raise ValueError("`edges` must be at least two rising numbers")
    group = np.searchsorted(bounds, cells.row_dt, side="right") - 1
    classes = len(bounds) - 1
    observed, expected = np.zeros((classes, size, size)), np.zeros((classes, size, size))
    inside = (group >= 0) & (group < classes)
    total = np.zeros(len(group))
    total += np.bincount(cells.pair_row, cells.pair_count, minlength=len(group))
    pair = inside[cells.pair_row]
    row = cells.pair_row[pair]
    np.add.at(observed, (group[row], cells.row_start[row], cells.pair_to[pair]), cells.pair_count[pair])
    np.add.at(expected, (group[inside], cells.row_start[inside]), (probabilities * total[:, None])[inside])
    return TransitionTable(bounds, observed, expected, bool(fit.pattern.exact))


@dataclass(frozen=True, eq=False)
class Prevalence:
    """Shares of the states at times since each subject's first known state, seen and expected.

    Attributes
    ----------
    times
        Shape (m,).
    at_risk
        Number of subjects still followed at each time, shape (m,).
    observed, expected
        Numbers of subjects in each state, shape (m, S).
    """

    times: Floats
    at_risk: Ints
    observed: Floats
    expected: Floats


@dataclass(frozen=True, eq=False)
class _Paths:
    """Visits from each subject's first known state on, with the subject's number and place of the visit."""

    subject: Ints
    place: Ints
    time: Floats
    state: Ints
    covariates: Floats
    until: Floats


def prevalence(panel: Panel, fit: MultistateFit, times: Floats, until: Floats | None = None) -> Prevalence:
    """Numbers of subjects in each state over time, and what the fitted model expects of the same subjects.

    Parameters
    ----------
    times
        Times since each subject's first known state, shape (m,).
    until
        Time (of the panel) until which the subject of each row could have been seen, shape (n,). Left out, subjects
        in a final state stay in view for ever, which overstates that state at late times if follow-up ends early.

    Notes
    -----
    Gentleman, Lawless, Lindsey and Yan (1994), Statistics in Medicine 13: 805–821. A subject is taken to hold the last
    known state until the next visit; expected numbers follow each subject's own covariates from its first known state.
    """
    paths = _paths(checked_panel(panel, fit.pattern, fit.effects), panel, until)
    shares = _expected_at_visits(fit, paths)
    grid = np.atleast_1d(np.asarray(times, np.float64))
    size, absorbing = fit.pattern.size, fit.pattern.absorbing
    first = np.flatnonzero(paths.place == 0)
    last = np.r_[first[1:], len(paths.subject)] - 1
    gone = absorbing[np.maximum(paths.state[last], 0)] & (paths.state[last] >= 0)
    end = np.where(gone, paths.until[last], paths.time[last])
    held = _last_known(paths.state)
    observed, expected = np.zeros((len(grid), size)), np.zeros((len(grid), size))
    risk = np.zeros(len(grid), np.int64)
    for number, time in enumerate(grid):
        under = np.flatnonzero(end >= time)
        risk[number] = len(under)
        visit = _visit_before(paths, first, last, time)[under]
        observed[number] = np.bincount(held[visit], minlength=size)
        matrices = _matrices(fit, paths.covariates[visit], time - paths.time[visit])
        expected[number] = np.einsum("ns,nst->t", shares[visit], matrices)
    return Prevalence(grid, risk, observed, expected)


def _paths(checked: Panel, panel: Panel, until: Floats | None) -> _Paths:
    count = len(checked.subject)
    stop = np.full(count, np.inf)
    if until is not None:
        order = np.lexsort((panel.time, panel.subject))
        stop = np.asarray(until, np.float64)[order]
    known = checked.state >= 0
    group = np.cumsum(np.r_[True, checked.subject[1:] != checked.subject[:-1]]) - 1
    place = np.where(known, np.arange(count), count)
    begin = np.full(int(group[-1]) + 1, count)
    np.minimum.at(begin, group, place)
    keep = np.arange(count) >= begin[group]
    origin = checked.time[np.minimum(begin[group], count - 1)]
    covariates = np.zeros((count, 0)) if checked.covariates is None else checked.covariates
    number = np.unique(group[keep], return_inverse=True)[1]
    return _Paths(
        number,
        (np.arange(count) - begin[group])[keep],
        (checked.time - origin)[keep],
        checked.state[keep],
        covariates[keep],
        (stop - origin)[keep],
    )


def _last_known(state: Ints) -> Ints:
    """Replace −1 by the state last known; paths begin with a known state."""
    place = np.maximum.accumulate(np.where(state >= 0, np.arange(len(state)), 0))
    return state[place]


def _visit_before(paths: _Paths, first: Ints, last: Ints, time: float) -> Ints:
    """Position of each subject's last visit at or before a time, shape (subjects,)."""
    early: Bools = paths.time <= time
    count = np.bincount(paths.subject[early], minlength=len(first))
    return np.minimum(first + np.maximum(count, 1) - 1, last)


def _matrices(fit: MultistateFit, covariates: Floats, dt: Floats) -> Floats:
    """Transition matrices of visits, shape (n, S, S); equal ones are found once."""
    table, cell = np.unique(np.column_stack([covariates, dt]), axis=0, return_inverse=True)
    rows, row = np.unique(table[:, :-1], axis=0, return_inverse=True)
    size = fit.pattern.size
    rates = np.exp(log_intensities(fit, rows)[0])
    none = np.zeros(0, np.int64)
    every = np.repeat(np.arange(len(table)), size), np.tile(np.arange(size), len(table))
    plan = Rows(fit.pattern, row.ravel(), table[:, -1], *every, len(rows) * 8 <= len(table))
    matrices = plan.engine(rates, (none, none)).probabilities().reshape(-1, size, size)
    return matrices[cell.ravel()]


def _expected_at_visits(fit: MultistateFit, paths: _Paths) -> Floats:
    """Find the expected shares of the states at each visit given the first known state, shape (n, S)."""
    shares = np.zeros((len(paths.subject), fit.pattern.size))
    begin = np.flatnonzero(paths.place == 0)
    shares[begin, paths.state[begin]] = 1.0
    for place in range(1, int(paths.place.max(initial=0)) + 1):
        here = np.flatnonzero(paths.place == place)
        step = _matrices(fit, paths.covariates[here - 1], paths.time[here] - paths.time[here - 1])
        shares[here] = np.einsum("ns,nst->nt", shares[here - 1], step)
    return shares
