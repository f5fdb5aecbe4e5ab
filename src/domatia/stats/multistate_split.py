"""Cutting the time between visits where a covariate changes."""

from dataclasses import replace

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.multistate_pattern import Effects, Panel, Pattern, checked_panel


def split_at(panel: Panel, pattern: Pattern, cuts: Floats) -> tuple[Panel, Ints]:
    """Insert a visit that says nothing about the state wherever a cut lies between two visits of a subject.

    A covariate that changes on known dates (a season, a treatment) can then be set for every row from its time; without
    the cut it would be held from one visit to the next.

    Parameters
    ----------
    cuts
        Times, shape (m,), on the scale of `panel.time`.

    Returns
    -------
    panel
        Sorted by subject and time, with the inserted rows; they carry the covariates and cluster of the visit before.
    source
        The row of the given panel that each row comes from (for an inserted row: the visit before), shape (n',).
    """
    count = 0 if panel.covariates is None else np.atleast_2d(np.asarray(panel.covariates).T).shape[0]
    names = Effects(tuple(str(number) for number in range(count)), np.zeros((count, pattern.moves), np.int64))
    order = np.lexsort((panel.time, panel.subject))
    checked = checked_panel(panel, pattern, names)
    times = np.unique(np.asarray(cuts, np.float64))
    same = np.r_[checked.subject[1:] == checked.subject[:-1], False]
    following = np.r_[checked.time[1:], np.inf]
    low = np.searchsorted(times, checked.time, side="right")
    high = np.where(same, np.searchsorted(times, following, side="left"), low)
    extra = np.maximum(high - low, 0)
    before = np.repeat(np.arange(len(extra)), extra)
    place = low[before] + np.arange(len(before)) - np.repeat(np.cumsum(extra) - extra, extra)
    source = np.concatenate([np.arange(len(extra)), before])
    time = np.concatenate([checked.time, times[place]])
    state = np.concatenate([checked.state, np.full(len(before), -1, np.int64)])
    known = np.arange(pattern.size) == np.maximum(checked.state, 0)[:, None]
    possible = known if checked.possible is None else np.where(checked.state[:, None] >= 0, known, checked.possible)
    possible = np.concatenate([possible, np.ones((len(before), pattern.size), np.bool_)])
    row = np.lexsort((time, checked.subject[source]))
    origin = source[row]
    split = replace(
        checked,
        subject=checked.subject[origin],
        time=time[row],
        state=state[row],
        covariates=None if checked.covariates is None else checked.covariates[origin],
        possible=possible[row],
        cluster=None if checked.cluster is None else checked.cluster[origin],
    )
    return split, order[origin]
