"""What looks at vacant plants cannot see: plants taken and lost, or taken and dead, and removals that failed."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.looks import DIED
from domatia.histories.sequences import OTHER
from domatia.stats.hidden_moves import move_intensities, seen_after, state_after, unmoved_chances

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

FREE = "vacant"
LEAST_TAKEN = 5
LEAST_WEIGHT = 1e-6
_ENDS = {"": FREE, "died vacant": DIED}


@dataclass(frozen=True, eq=False)
class Hidden:
    """How what first happened to a vacant plant shows at the next look.

    Attributes
    ----------
    states : tuple of str
        "vacant", the ants, "dead".
    intensities : array (states, states)
        Moves per year, from looks at plants that nobody treated in between.
    failed : float or None
        Share of removals after which the ant stayed; None where this cannot be told.
    vacant : array (rows,)
        Chance that the step truly began vacant: below 1 where a removal may have failed.
    shown : array (rows, states, states)
        For each vacant step, chance of what is seen (last axis) by what first happened.
    weights : array (ants,)
        Share of each ant among plants seen taken.
    """

    states: tuple[str, ...]
    intensities: Array
    failed: float | None
    vacant: Array
    shown: Array
    weights: Array

    def among(self, causes: tuple[tuple[str, ...], ...]) -> Array:
        """Give `shown` with each tuple of ends ("dead" is "died vacant") as one, after "nothing happened"."""
        groups = ((FREE,), *(tuple(_ENDS.get(e, e) for e in ends) for ends in causes))
        weight = dict(zip(self.states, [1.0, *self.weights, 1.0], strict=False))
        into = np.array([[float(s in g) for g in groups] for s in self.states])
        shares = into * np.array([weight[s] for s in self.states])[:, None]
        shares /= np.maximum(shares.sum(axis=0), 1e-300)
        found = shares.T @ self.shown @ into
        return np.asarray(found / found.sum(axis=2, keepdims=True), dtype=np.float64)

    def table(self) -> pl.DataFrame:
        """Give the intensities, one row a move."""
        pairs = [(a, b, float(self.intensities[i, j])) for i, a in enumerate(self.states)
                 for j, b in enumerate(self.states) if i != j and a != DIED]  # fmt: skip
        return pl.DataFrame(pairs, schema=["before", "after", "per_year"], orient="row")


def hidden_changes(rows: pl.DataFrame, held: pl.DataFrame, ends: tuple[str, ...]) -> Hidden:
    """Find out from plants that ants held what may have happened between two looks at vacant ones.

    Parameters
    ----------
    rows : polars.DataFrame
        Vacant steps: `start`, `stop`, `ended`, `taken_off`.
    held : polars.DataFrame
        Held steps, as `Vacancies.held`.
    ends : tuple of str
        Ants (with "other ants" for the rest, if it is there), then "died vacant".
    """
    ants = tuple(e for e in ends if e not in _ENDS)
    states = (FREE, *ants, DIED)
    code = {s: i for i, s in enumerate(states)} | {k: states.index(v) for k, v in _ENDS.items()}
    rest = code.get(OTHER, -1)

    def coded(frame: pl.DataFrame, column: str) -> Ints:
        return frame[column].replace_strict(code, default=rest, return_dtype=pl.Int64).to_numpy()

    years, seen = (rows["stop"] - rows["start"]).to_numpy(), coded(rows, "ended")
    plain = (rows["taken_off"] == "").to_numpy()
    before = np.concatenate([np.zeros(int(plain.sum()), np.int64), coded(held, "before")])
    after = np.concatenate([seen[plain], coded(held, "ended")])
    time = np.concatenate([years[plain], held["years"].to_numpy()])
    known = (before >= 0) & (after >= 0)
    intensities = move_intensities(before[known], after[known], time[known], len(states))
    fresh = held.filter("fresh")
    young = _just_taken(intensities, (coded(fresh, "before"), coded(fresh, "ended"), fresh["years"].to_numpy()))
    shown = seen_after(young, years)
    off = np.where(plain, -1, coded(rows, "taken_off"))
    cleared = off > 0
    kept = state_after(intensities, years[cleared])[np.arange(int(cleared.sum())), off[cleared]]
    failed, weight = _failed(off[cleared], seen[cleared], kept, len(ants)), np.ones(rows.height)
    if failed is not None:
        weight[cleared] = np.maximum(1.0 - failed, LEAST_WEIGHT)
    share = None if failed is None else float(failed.mean())
    taken = np.bincount(seen, minlength=len(states))[1 : 1 + len(ants)].astype(np.float64)
    return Hidden(states, intensities, share, weight, shown, taken / max(float(taken.sum()), 1.0))


def _just_taken(intensities: Array, fresh: tuple[Ints, Ints, Array]) -> Array:
    """Give the intensities of plants taken since the look before.

    How much more often young colonies are lost, and thrown out by others, comes from steps (ant, what was seen next,
    years) of plants that were vacant at the look before: changes seen over changes expected, each with one more. A
    colony that only just patrols has kept no enemy off yet: until the first look its plant dies as vacant ones do.
    """
    known = (fresh[0] > 0) & (fresh[1] >= 0)
    before, to, years = fresh[0][known], fresh[1][known], fresh[2][known]
    each = np.arange(len(before))
    chance = state_after(intensities, years)[each, before]
    dead = len(intensities) - 1
    lost = (1.0 + float((to == 0).sum())) / (1.0 + float(chance[:, 0].sum()))
    other = chance[:, 1:dead].sum() - chance[each, before].sum()
    changed = (1.0 + float(((to != before) & (to > 0) & (to < dead)).sum())) / (1.0 + float(other))
    found = intensities.copy()
    found[1:dead, 0] *= lost
    found[1:dead, 1:dead] *= changed
    found[1:dead, dead] = intensities[0, dead]
    np.fill_diagonal(found, 0.0)
    np.fill_diagonal(found, -found.sum(axis=1))
    return found


def _failed(off: Ints, seen: Ints, kept: Array, ants: int) -> Array | None:
    """Give the chance that each removal failed: only told from comebacks where several ants were taken off."""
    taken = (seen >= 1) & (seen <= ants)
    if int(taken.sum()) < LEAST_TAKEN or len(np.unique(off)) < 2:
        return None
    return unmoved_chances(seen, kept)
