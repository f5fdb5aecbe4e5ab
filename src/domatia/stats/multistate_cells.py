"""Visits collapsed to the few different things the likelihood has to know.

Two neighbouring visits with known states count once for each different (covariates, elapsed time, from, to). Runs of
visits between which some state is not known become chains. Several intervals that agree become one cell with a count.
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.multistate_chains import Chains, Links, find_chains
from domatia.stats.multistate_pattern import Panel, Pattern

FEW_CELLS_A_ROW = 8
DENSE_CODES = 4_000_000


@dataclass(frozen=True, eq=False)
class Cells:
    """A panel as counted cells.

    Attributes
    ----------
    covariates
        The C different covariate rows, shape (C, p).
    cell_covariates, cell_dt
        Covariate row and elapsed time of the K different cells, shape (K,).
    row_cell, row_start
        Cell and state at its beginning of the R rows of transition matrices needed, shape (R,), sorted by cell.
    pair_row, pair_to, pair_count
        What was seen: the U different pairs (row, state at the end) and how often, shape (U,), sorted by row.
    chains
        The runs of visits with unknown states, or None.
    intervals, subjects, left_out
        Number of intervals that count, of subjects with one, and of intervals left out by reason.
    clusters
        For robust intervals: (cluster, pair, count) of every cluster's pairs and the number of clusters, or None.
    by_covariates
        Whether cells are sorted by covariate row (few rows) or by elapsed time (many).
    """

    covariates: Floats
    cell_covariates: Ints
    cell_dt: Floats
    row_cell: Ints
    row_start: Ints
    pair_row: Ints
    pair_to: Ints
    pair_count: Floats
    chains: Chains | None
    intervals: int
    subjects: int
    left_out: dict[str, int]
    clusters: "ClusterPairs | None"
    by_covariates: bool

    @property
    def row_covariates(self) -> Ints:
        """Covariate row of each row, shape (R,)."""
        return self.cell_covariates[self.row_cell]

    @property
    def row_dt(self) -> Floats:
        """Elapsed time of each row, shape (R,)."""
        return self.cell_dt[self.row_cell]


@dataclass(frozen=True, eq=False)
class ClusterPairs:
    """How often each cluster shows each pair; `chain_cluster` is the cluster of each chain."""

    cluster: Ints
    pair: Ints
    count: Floats
    clusters: int
    chain_cluster: Ints


@dataclass(frozen=True, eq=False)
class _Coding:
    """Covariates and elapsed times of the used intervals as codes; `times` decodes the latter."""

    covariates: Floats
    row: Ints
    times: Floats
    dt: Ints


def collapse(panel: Panel, pattern: Pattern) -> Cells:
    """Collapse a checked panel (sorted by subject and time) to cells.

    Raises
    ------
    ValueError
        If a move was seen that the pattern does not allow by any route, or no interval is left.
    """
    state, absorbing = panel.state, pattern.absorbing
    start = np.flatnonzero(panel.subject[1:] == panel.subject[:-1])
    known = state >= 0
    gone = _after_absorbed(panel, start, absorbing)
    links = find_chains(panel, pattern, start[~gone])
    plain = start[~gone & known[start] & known[start + 1]]
    refuse_impossible(state[plain], state[plain + 1], pattern)
    used = np.concatenate([plain, links.node])
    if not len(used):
        raise ValueError("no subject has two visits that say something; a multi-state model needs repeated visits")
    coding = _code(panel, used)
    key = _row_keys(coding, state[plain], pattern.size, len(plain))
    chain_keys = _chain_keys(coding, links, pattern.size, len(plain))
    rows, counts, pairs = _count(key, state[plain + 1], chain_keys, pattern.size)
    cell_code = rows // pattern.size
    few = len(np.unique(cell_code)) >= FEW_CELLS_A_ROW * len(coding.covariates)
    order = None if few else np.argsort(cell_code % len(coding.times), kind="stable")
    layout = _Layout(rows, order, pattern.size)
    pair_row, pair_to = layout.position(pairs // pattern.size), pairs % pattern.size
    by_row = np.argsort(pair_row, kind="stable")
    chains = links.settle(layout.rows_of(chain_keys), coding.row[len(plain) :]) if len(links.node) else None
    inside = np.concatenate([plain, links.node])
    subjects = len(np.unique(panel.subject[inside]))
    cells = layout.cells(len(coding.times))
    return Cells(
        coding.covariates,
        cells[0] // len(coding.times),
        coding.times[cells[0] % len(coding.times)],
        cells[1],
        layout.rows % pattern.size,
        pair_row[by_row],
        pair_to[by_row],
        counts[by_row].astype(np.float64),
        chains,
        len(inside),
        subjects,
        {"after an absorbing state": int(gone.sum()), "before the first known state": links.left_out},
        _clusters(panel, plain, (key * pattern.size + state[plain + 1], pairs[by_row]), links),
        few,
    )


@dataclass(frozen=True, eq=False)
class _Layout:
    """The order of the rows: by code, or reordered."""

    codes: Ints
    order: Ints | None
    size: int

    @property
    def rows(self) -> Ints:
        return self.codes if self.order is None else self.codes[self.order]

    def position(self, codes: Ints) -> Ints:
        place = np.searchsorted(self.codes, codes)
        if self.order is None:
            return place
        back = np.empty(len(self.codes), np.int64)
        back[self.order] = np.arange(len(self.codes))
        return back[place]

    def rows_of(self, keys: Ints) -> Ints:
        """Positions of a table of codes; the number of rows where the code is −1."""
        return np.where(keys >= 0, self.position(np.maximum(keys, 0)), len(self.codes))

    def cells(self, times: int) -> tuple[Ints, Ints]:
        """Give the different cells in order of appearance, and each row's cell."""
        code = self.rows // self.size
        first = np.r_[True, code[1:] != code[:-1]]
        return code[first], np.cumsum(first) - 1


def _after_absorbed(panel: Panel, start: Ints, absorbing: Bools) -> Bools:
    """Intervals that begin at or after a visit in an absorbing state: they say nothing."""
    state = panel.state
    is_absorbed = (state >= 0) & absorbing[np.maximum(state, 0)]
    if not is_absorbed[start].any():
        return np.zeros(len(start), np.bool_)
    new = np.r_[True, panel.subject[1:] != panel.subject[:-1]]
    group = np.cumsum(new) - 1
    total = np.cumsum(is_absorbed)
    before = np.r_[0, total][np.flatnonzero(new)]
    gone: Bools = (total - before[group])[start] > 0
    later = start[gone] + 1
    first_absorbed = np.maximum.accumulate(np.where(is_absorbed, np.arange(len(state)), -1))
    back = (state[later] >= 0) & (state[later] != state[first_absorbed[later - 1]])
    if back.any():
        raise ValueError(
            f"{back.sum()} visits show another state after an absorbing one, first subject "
            f"{panel.subject[later][back][0]}; correct them or allow the move"
        )
    return gone


def refuse_impossible(before: Ints, after: Ints, pattern: Pattern) -> None:
    """Raise a ValueError that counts the moves seen which no route of the pattern allows."""
    reach = pattern.reachable
    wrong = ~reach[before, after]
    if not wrong.any():
        return
    pairs, counts = np.unique(before[wrong] * pattern.size + after[wrong], return_counts=True)
    told = [
        f"{pattern.states[code // pattern.size]} -> {pattern.states[code % pattern.size]} ({count})"
        for code, count in zip(pairs.tolist(), counts.tolist(), strict=True)
    ]
    raise ValueError(f"seen but not allowed by any route: {', '.join(told)}; allow a move or correct the visits")


def _dense(values: Floats) -> tuple[Floats, Ints]:
    """Different values in order, and the code of each entry; quick for whole numbers of small range."""
    low, high = float(values.min()), float(values.max())
    if high - low < 2_000_000 and (np.floor(values) == values).all():
        shifted = (values - low).astype(np.int64)
        present = np.bincount(shifted) > 0
        return np.flatnonzero(present).astype(np.float64) + low, (np.cumsum(present) - 1)[shifted]
    unique, code = np.unique(values, return_inverse=True)
    return unique, code.astype(np.int64)


def _code(panel: Panel, used: Ints) -> _Coding:
    covariates = panel.covariates
    if covariates is None:
        raise ValueError("the panel must be checked first")
    row = np.zeros(len(used), np.int64)
    product = 1
    for column in covariates.T:
        unique, code = _dense(column[used])
        row = row * len(unique) + code
        product *= len(unique)
        if product > 2**31:
            row = np.unique(row, return_inverse=True)[1].astype(np.int64)
            product = int(row.max()) + 1
    _, row = _dense(row.astype(np.float64))
    example = np.empty(int(row.max()) + 1, np.int64)
    example[row[::-1]] = used[::-1]
    times, dt = _dense(panel.time[used + 1] - panel.time[used])
    return _Coding(covariates[example], row, times, dt)


def _row_keys(coding: _Coding, start: Ints, size: int, count: int) -> Ints:
    return (coding.row[:count] * len(coding.times) + coding.dt[:count]) * size + start


def _chain_keys(coding: _Coding, links: Links, size: int, skip: int) -> Ints:
    """Row codes of every link and possible starting state, shape (M, S); −1 where the state is not possible."""
    base = (coding.row[skip:] * len(coding.times) + coding.dt[skip:]) * size
    return np.where(links.start, base[:, None] + np.arange(size), -1)


def _count(key: Ints, to: Ints, chain_keys: Ints, size: int) -> tuple[Ints, Ints, Ints]:
    """All row codes, and the counts and codes of the pairs."""
    code = key * size + to
    largest = int(code.max(initial=-1)) + 1
    if largest <= DENSE_CODES:
        counted = np.bincount(code, minlength=max(largest, 1))
        pairs = np.flatnonzero(counted)
        counts = counted[pairs]
    else:
        pairs, counts = np.unique(code, return_counts=True)
    rows = pairs // size
    rows = rows[np.r_[True, rows[1:] != rows[:-1]]] if len(rows) else rows
    if chain_keys.size:
        rows = np.unique(np.concatenate([rows, chain_keys[chain_keys >= 0]]))
    return rows, counts, pairs


def _clusters(panel: Panel, plain: Ints, codes: tuple[Ints, Ints], links: Links) -> ClusterPairs | None:
    if panel.cluster is None:
        return None
    names, cluster = np.unique(panel.cluster, return_inverse=True)
    shared = panel.subject[1:] == panel.subject[:-1]
    if (cluster[1:] != cluster[:-1])[shared].any():
        raise ValueError("a subject lies in two clusters; clusters must hold whole subjects")
    code, pairs = codes
    sorter = np.argsort(pairs, kind="stable")
    pair = sorter[np.searchsorted(pairs, code, sorter=sorter)]
    joint, count = np.unique(pair * len(names) + cluster[plain], return_counts=True)
    return ClusterPairs(
        joint % len(names),
        joint // len(names),
        count.astype(np.float64),
        len(names),
        cluster[links.chain_node].astype(np.int64),
    )
