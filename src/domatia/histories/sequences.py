"""State sequences: what was seen on each plant, visit by visit, as codes for a model of moves between states."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.looks import DIED, FOUNDING, UNKNOWN, UNNAMED, VACANT, Counts, looks
from domatia.histories.openness import openness
from domatia.model.dates import DAYS_A_YEAR
from domatia.model.study import StudyData

OTHER = "other ants"


@dataclass(frozen=True, eq=False)
class Sequences:
    """Visits of the plants, in the order of plants and time.

    Attributes
    ----------
    states : tuple of str
        "vacant", "founding" (where a plant counts as held from patrolling workers on), the ants, "dead".
    rows : polars.DataFrame
        `plant`, `record_id`, `years` (since 1970), `code` (-1 where the state is not surely known), `openness`
        (0 to 1, as written down at or before the visit, by one method, null where unknown).
    possible : array (rows, states)
        States that the plant may have been in; read where `code` is -1.
    lumped : tuple of str
        Ants too rarely seen to be told apart.
    """

    states: tuple[str, ...]
    rows: pl.DataFrame
    possible: NDArray[np.bool_]
    lumped: tuple[str, ...]


def state_sequences(
    data: StudyData, plants: pl.DataFrame, counts: Counts = "patrolling workers", least: int = 20
) -> Sequences:
    """Give the state of chosen plants at each visit.

    A visit at which nobody looked may have met any state but death; a plant with several ants at once may belong to any
    of them; an unnamed ant may be any. A "dead" that a later visit disproved says nothing. Ants seen at fewer than
    `least` visits are gathered as "other ants", or taken as unnamed where even together they are fewer.

    Parameters
    ----------
    data : StudyData
    plants : polars.DataFrame
        `plant`, `from_t` (day since 1970 from which its visits count, null for all).
    counts : str
        From which stage on an ant counts as holder.
    least : int
    """
    seen = looks(data, counts).join(plants, on="plant", maintain_order="left")
    seen = seen.filter(pl.col("from_t").is_null() | (pl.col("t") >= pl.col("from_t")))
    plain = (VACANT, FOUNDING, UNKNOWN, UNNAMED, DIED, "several")
    ants = seen.filter(~pl.col("state").is_in(plain)).group_by("state").len().sort("state")
    rare = tuple(ants.filter(pl.col("len") < least)["state"].to_list())
    kept = tuple(ants.filter(pl.col("len") >= least)["state"].to_list())
    enough = int(ants.filter(pl.col("len") < least)["len"].sum()) >= least
    named = (*kept, OTHER) if enough else kept
    states = (VACANT, *((FOUNDING,) if counts == "patrolling workers" else ()), *named, DIED)
    code = {s: i for i, s in enumerate(states)} | ({r: states.index(OTHER) for r in rare} if enough else {})
    seen = seen.with_columns(code=pl.col("state").replace_strict(code, default=-1, return_dtype=pl.Int64))
    doubtful = pl.col("state").is_in(() if enough else rare)
    possible = _possible(
        seen.with_columns(state=pl.when(doubtful).then(pl.lit(UNNAMED)).otherwise("state")), states, code
    )
    rows = _openness(data, seen).select("plant", "record_id", "code", "openness", years=pl.col("t") / DAYS_A_YEAR)
    return Sequences(states, rows, possible, rare)


def _possible(seen: pl.DataFrame, states: Sequence[str], code: dict[str, int]) -> NDArray[np.bool_]:
    found = np.zeros((seen.height, len(states)), dtype=np.bool_)
    alive = np.array([s != DIED for s in states])
    held = np.array([s not in (VACANT, FOUNDING, DIED) for s in states])
    state = seen["state"].to_numpy()
    found[state == UNKNOWN] = alive
    found[state == UNNAMED] = held
    for i in np.flatnonzero(state == "several"):
        for name in seen["could_be"][int(i)].to_list():
            if name in code:
                found[i, code[name]] = True
            else:
                found[i] |= held
    found[state == "several", states.index(DIED)] = False
    return found


def _openness(data: StudyData, seen: pl.DataFrame) -> pl.DataFrame:
    """Give each visit the latest openness written down at or before it, on the scale of one method."""
    joined = seen.join(openness(data).visits, on="record_id", how="left", maintain_order="left")
    latest = pl.col("openness").forward_fill().over("plant")
    return joined.with_columns(openness=latest / 100)
