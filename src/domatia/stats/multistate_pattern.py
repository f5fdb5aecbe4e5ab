"""Which moves between states a multi-state model allows, and which moves each covariate acts on."""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints

ALLOWED_STATES = 60


@dataclass(frozen=True, eq=False)
class Pattern:
    """The states and the allowed direct moves of a continuous-time Markov model.

    Attributes
    ----------
    states
        Names of the S states, in the order of their codes 0 … S − 1.
    origin, target
        Codes of the J allowed moves, shape (J,), sorted by origin, then target.
    exact
        Codes of the absorbing states whose time of entry is known exactly. Every other state is only known to
        be held at the moment of looking.
    """

    states: tuple[str, ...]
    origin: Ints
    target: Ints
    exact: tuple[int, ...] = ()

    @property
    def size(self) -> int:
        """Number of states."""
        return len(self.states)

    @property
    def moves(self) -> int:
        """Number of allowed moves."""
        return len(self.origin)

    @property
    def absorbing(self) -> Bools:
        """Which states cannot be left, shape (S,)."""
        leaves = np.zeros(self.size, np.bool_)
        leaves[self.origin] = True
        return ~leaves

    @property
    def reachable(self) -> Bools:
        """Whether state j can follow state i after any time, by any route (i itself included), shape (S, S)."""
        reach = np.eye(self.size, dtype=np.bool_)
        reach[self.origin, self.target] = True
        for middle in range(self.size):
            reach |= np.outer(reach[:, middle], reach[middle])
        return reach

    @property
    def labels(self) -> tuple[str, ...]:
        """The moves in words, 'from -> to', in the order of `origin` and `target`."""
        pairs = zip(self.origin.tolist(), self.target.tolist(), strict=True)
        return tuple(f"{self.states[a]} -> {self.states[b]}" for a, b in pairs)

    def generators(self, intensities: Floats) -> Floats:
        """Intensity matrices of shape (C, S, S) from the intensities of the moves, shape (C, J), per unit of time."""
        matrices = np.zeros((len(intensities), self.size, self.size))
        matrices[:, self.origin, self.target] = intensities
        diagonal = np.arange(self.size)
        matrices[:, diagonal, diagonal] = -matrices.sum(2)
        return matrices


def allow_moves(allowed: Bools, states: tuple[str, ...] = (), exact: tuple[int, ...] = ()) -> Pattern:
    """Make a pattern from a square table of allowed direct moves.

    Parameters
    ----------
    allowed
        Shape (S, S); True where a direct move from the row's state to the column's is possible. The diagonal is
        not read.
    states
        Names of the states; their codes if left out.
    exact
        Codes of the absorbing states whose time of entry is known exactly (a death with its date).

    Raises
    ------
    ValueError
        If the table is not square, has no move, if the names do not fit, or if an `exact` state can be left.
    """
    table = np.asarray(allowed, np.bool_)
    if table.ndim != 2 or table.shape[0] != table.shape[1] or not 2 <= len(table) <= ALLOWED_STATES:
        raise ValueError(
            f"the table of allowed moves has shape {table.shape}; give a square one of 2 to {ALLOWED_STATES} states"
        )
    names = tuple(states) or tuple(str(code) for code in range(len(table)))
    if len(names) != len(table) or len(set(names)) != len(names):
        raise ValueError(f"{len(table)} states need {len(table)} different names; got {list(names)}")
    origin, target = np.nonzero(table & ~np.eye(len(table), dtype=np.bool_))
    if not len(origin):
        raise ValueError("the table allows no move; mark at least one state as reachable from another")
    pattern = Pattern(names, origin.astype(np.int64), target.astype(np.int64), tuple(sorted(set(exact))))
    wrong = [code for code in pattern.exact if not 0 <= code < len(names) or not pattern.absorbing[code]]
    if wrong:
        raise ValueError(
            f"states {wrong} cannot have exact times of entry: only states that are never left can; "
            f"allowed are {np.flatnonzero(pattern.absorbing).tolist()}"
        )
    return pattern


@dataclass(frozen=True, eq=False)
class Effects:
    """Which covariate acts on the log intensity of which move.

    Attributes
    ----------
    names
        Names of the p covariates.
    labels
        Shape (p, J). Moves with equal labels ≥ 0 in a row share one coefficient; −1 means no effect.
    """

    names: tuple[str, ...]
    labels: Ints

    @property
    def coefficients(self) -> int:
        """Number of free coefficients over all covariates."""
        return sum(len(np.unique(row[row >= 0])) for row in self.labels)


NO_EFFECTS = Effects((), np.zeros((0, 0), np.int64))


def effects_on_all(pattern: Pattern, names: tuple[str, ...]) -> Effects:
    """Give every covariate a coefficient of its own on every move."""
    return Effects(tuple(names), np.tile(np.arange(pattern.moves), (len(names), 1)))


def effects_on(pattern: Pattern, groups: dict[str, list[list[tuple[int, int]]]]) -> Effects:
    """Give covariates effects on chosen moves only, some of them shared.

    Parameters
    ----------
    groups
        For each covariate (in the order of the panel's columns) a list of groups; a group is a list of moves
        (from, to) that share one coefficient. A move in no group is not affected.

    Raises
    ------
    ValueError
        If a group names a move that the pattern does not allow, or a move stands in two groups.
    """
    index = {pair: j for j, pair in enumerate(zip(pattern.origin.tolist(), pattern.target.tolist(), strict=True))}
    labels = np.full((len(groups), pattern.moves), -1, np.int64)
    for row, (name, sets) in enumerate(groups.items()):
        for label, group in enumerate(sets):
            for pair in group:
                if pair not in index:
                    raise ValueError(f"{name}: {pair} is not an allowed move; allowed are {sorted(index)}")
                if labels[row, index[pair]] >= 0:
                    raise ValueError(f"{name}: the move {pair} stands in two groups; name it once")
                labels[row, index[pair]] = label
    return Effects(tuple(groups), labels)


@dataclass(frozen=True, eq=False)
class Panel:
    """What was seen, one row a visit; rows in any order.

    Attributes
    ----------
    subject
        Integer ids, shape (n,).
    time
        Time of the visit, shape (n,), in the unit wanted for intensities.
    state
        Code of the state seen, shape (n,); −1 where only `possible` is known.
    covariates
        Shape (n, p). A row's values hold from its visit to the subject's next one.
    possible
        Shape (n, S); read only where `state` is −1: the states the subject may have been in.
    cluster
        Integer ids of the independent clusters, shape (n,), constant within a subject; for robust intervals.
    first
        Weights of the states at a first visit whose state is not known, shape (S,). Left out, a subject's visits
        before the first known state say nothing and are dropped.
    """

    subject: Ints
    time: Floats
    state: Ints
    covariates: Floats | None = None
    possible: Bools | None = None
    cluster: Ints | None = None
    first: Floats | None = None


def checked_panel(panel: Panel, pattern: Pattern, effects: Effects) -> Panel:
    """Return the panel sorted by subject and time with every array filled in, or say what is wrong with it."""
    count = len(panel.subject)
    covariates = np.zeros((count, 0)) if panel.covariates is None else np.asarray(panel.covariates, np.float64)
    if covariates.ndim == 1:
        covariates = covariates[:, None]
    lengths = {len(panel.time), len(panel.state), len(covariates), count}
    if len(lengths) != 1 or count == 0:
        raise ValueError(f"every array of a panel needs one entry a visit, at least one; got lengths {lengths}")
    if covariates.shape[1] != len(effects.names):
        raise ValueError(
            f"the panel has {covariates.shape[1]} covariates, the effects name {list(effects.names)}; make them equal"
        )
    for what, values in (("times", panel.time), ("covariates", covariates)):
        if not np.isfinite(values).all():
            raise ValueError(f"{what} must be finite numbers; leave out or fill the visits where they are not")
    state = np.asarray(panel.state, np.int64)
    if state.min() < -1 or state.max() >= pattern.size:
        raise ValueError(f"state codes run from {state.min()} to {state.max()}; allowed are -1 to {pattern.size - 1}")
    possible = _possible(panel, state, pattern.size)
    order = _order(np.asarray(panel.subject), np.asarray(panel.time))
    pick = slice(None) if order is None else order
    return Panel(
        np.asarray(panel.subject, np.int64)[pick],
        np.asarray(panel.time, np.float64)[pick],
        _settled(state, possible)[pick],
        covariates[pick],
        None if possible is None else possible[pick],
        None if panel.cluster is None else np.asarray(panel.cluster, np.int64)[pick],
        panel.first,
    )


def _possible(panel: Panel, state: Ints, size: int) -> Bools | None:
    unknown = state < 0
    if not unknown.any():
        return None
    if panel.possible is None or np.shape(panel.possible) != (len(state), size):
        raise ValueError(f"{unknown.sum()} visits have state -1; give `possible` with one row a visit, {size} columns")
    possible = np.asarray(panel.possible, np.bool_)
    if not possible[unknown].any(1).all():
        raise ValueError("a visit with state -1 needs at least one possible state")
    return possible


def _settled(state: Ints, possible: Bools | None) -> Ints:
    """Replace −1 by the only possible state where there is just one."""
    if possible is None:
        return state
    single = (state < 0) & (possible.sum(1) == 1)
    return np.where(single, possible.argmax(1), state)


def _order(subject: Ints, time: Floats) -> Ints | None:
    """Order by subject and time; None if the rows lie so already."""
    step, gap = np.diff(subject), np.diff(time)
    if ((step > 0) | ((step == 0) & (gap > 0))).all():
        return None
    order = np.lexsort((time, subject))
    twice = (np.diff(subject[order]) == 0) & (np.diff(time[order]) == 0)
    if twice.any():
        where = int(np.flatnonzero(twice)[0])
        raise ValueError(
            f"{twice.sum()} visits share subject and time, first subject {subject[order][where]} at time "
            f"{time[order][where]:g}; merge them or take one"
        )
    return order
