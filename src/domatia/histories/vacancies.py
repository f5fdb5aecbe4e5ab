"""Vacant spells: from when to when a plant was seen free of ants, and what ended it."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from domatia.histories.looks import DIED, FOUNDING, UNKNOWN, VACANT, Counts, after_removals, looks
from domatia.histories.moments import position
from domatia.histories.openness import openness
from domatia.model.dates import DAYS_A_YEAR
from domatia.model.study import StudyData

SEVERAL = "several ants were seen at the next look: who came first cannot be told"
ONCE = "seen vacant at the last look that could tell"
_MOST_PAIRS = 4_000_000
_NO_HOLDER = (VACANT, FOUNDING, UNKNOWN, DIED, "several")


@dataclass(frozen=True)
class Vacancies:
    """Steps between two looks of plants that were vacant at the first.

    Attributes
    ----------
    rows : polars.DataFrame
        `plant`, `spell` (number within the plant), `record_id` (visit at the start), `t` (day since 1970 at the
        start), `start`, `stop` (years since the spell was first seen), `ended` ("" while still vacant, the ant's
        name, or "died vacant"), `taken_off` (the ant that held the plant at the look at the start and was then taken
        off; "" where none was); sorted by `plant`, `t`.
    held : polars.DataFrame
        Steps that began with an ant on the plant which nobody took off: `plant`, `t`, `before` (the ant), `ended`
        ("" vacant, an ant's name, "dead"), `years`, `fresh` (the step before began vacant); sorted by `plant`, `t`.
    left_out : dict of str to list of bytes
        Visits (record ids) that begin no step, by reason.
    counts : str
        From which stage on an ant counts as holder.
    gap_days : float
        Median days between the two looks of a step.
    """

    rows: pl.DataFrame
    held: pl.DataFrame
    left_out: dict[str, list[bytes]]
    counts: Counts
    gap_days: float


def vacant_steps(data: StudyData, counts: Counts = "patrolling workers") -> Vacancies:
    """Cut the looks at each plant into steps that began vacant.

    A visit at which nobody looked for ants ends no step. With "patrolling workers", a plant with a founding queen
    counts as still vacant. Ants taken off on the day of a look leave the plant vacant from then on. The clock of a
    spell starts at the look that first saw it vacant; the plant may have been vacant for some time before.
    """
    seen = after_removals(looks(data, counts), data).filter(pl.col("state") != UNKNOWN)
    steps = seen.with_columns(
        free=pl.col("after").is_in([VACANT, FOUNDING]), seen_free=pl.col("state").is_in([VACANT, FOUNDING])
    )
    goes_on = pl.col("free").shift(1).over("plant").fill_null(False) & pl.col("seen_free")
    steps = steps.with_columns(begins=pl.col("free") & ~goes_on)
    steps = steps.with_columns(spell=pl.col("begins").cum_sum().over("plant"))
    steps = steps.with_columns(
        next_t=pl.col("t").shift(-1).over("plant"), next_state=pl.col("state").shift(-1).over("plant")
    )
    held = _held_steps(steps)
    first = steps.filter("begins").select("plant", "spell", t0="t")
    steps = steps.filter(pl.col("free")).join(first, on=["plant", "spell"], maintain_order="left")
    ended = (
        pl.when(pl.col("next_state").is_in([VACANT, FOUNDING])).then(pl.lit(""))
        .when(pl.col("next_state") == DIED).then(pl.lit("died vacant"))
        .otherwise("next_state")
    )  # fmt: skip
    steps = steps.with_columns(ended=ended)
    last = steps.filter(pl.col("next_t").is_null())["record_id"].to_list()
    several = steps.filter(pl.col("ended") == "several")["record_id"].to_list()
    rows = steps.filter(pl.col("next_t").is_not_null() & (pl.col("ended") != "several"))
    rows = rows.filter(pl.col("next_t") > pl.col("t")).select(
        "plant",
        "spell",
        "record_id",
        "t",
        start=(pl.col("t") - pl.col("t0")) / DAYS_A_YEAR,
        stop=(pl.col("next_t") - pl.col("t0")) / DAYS_A_YEAR,
        ended="ended",
        taken_off=pl.when(pl.col("state").is_in(_NO_HOLDER)).then(pl.lit("")).otherwise("state"),
    )
    gaps = (rows["stop"] - rows["start"]).to_numpy() * DAYS_A_YEAR
    gap = float(np.median(gaps)) if len(gaps) else 0.0
    left_out = {reason: ids for reason, ids in ((ONCE, last), (SEVERAL, several)) if ids}
    return Vacancies(rows.sort("plant", "t"), held, left_out, counts, gap)


def _held_steps(steps: pl.DataFrame) -> pl.DataFrame:
    """Give the steps to the next look of plants that one ant held and kept."""
    ended = pl.when(pl.col("next_state").is_in([VACANT, FOUNDING])).then(pl.lit("")).otherwise("next_state")
    told = pl.col("next_t").is_not_null() & (pl.col("next_t") > pl.col("t")) & (pl.col("next_state") != "several")
    fresh = pl.col("free").shift(1).over("plant").fill_null(False)
    kept = steps.with_columns(fresh=fresh).filter(~pl.col("after").is_in(_NO_HOLDER) & told)
    years = (pl.col("next_t") - pl.col("t")) / DAYS_A_YEAR
    return kept.select("plant", "t", "fresh", before="after", ended=ended, years=years).sort("plant", "t")


def state_at_start(data: StudyData, rows: pl.DataFrame) -> pl.DataFrame:
    """Add to steps what the plant was like at or before their start: `openness` (0 to 1) and `log_height`.

    The latest value written down at or before the start counts, never a later one; null where there is none. Openness
    is on the scale of one method, as `domatia.histories.openness.openness` gives it.
    """
    visits = data.table("visit").select("plant", "height_cm", t=position())
    visits = visits.filter(pl.col("t").is_not_null() & pl.col("height_cm").is_not_null())
    tall = visits.group_by("plant", "t").agg(pl.col("height_cm").mean())
    out = rows.sort("t")
    for known in (openness(data).table, tall):
        out = out.join_asof(known.sort("t"), on="t", by="plant", check_sortedness=False)
    height = pl.when(pl.col("height_cm") > 0).then(pl.col("height_cm").log())
    return out.with_columns(openness=pl.col("openness") / 100, log_height=height).drop("height_cm").sort("plant", "t")


def distance_to_colony(data: StudyData, rows: pl.DataFrame) -> pl.DataFrame:
    """Add `colony_m`: metres from the plant to the nearest plant of its place that was held at its latest look.

    Null where positions are missing, no neighbour was held, or the study is too large for the search.
    """
    where = data.table("plant").select("place", "x_m", "y_m", plant="subject_id")
    where = where.filter(pl.col("x_m").is_not_null() & pl.col("y_m").is_not_null() & pl.col("place").is_not_null())
    spells = rows.group_by("plant", "spell").agg(t=pl.col("t").min()).join(where, on="plant")
    sizes = where.group_by("place").agg(n=pl.len())
    pairs = int(spells.join(sizes, on="place")["n"].sum())
    if spells.is_empty() or pairs > _MOST_PAIRS:
        return rows.with_columns(colony_m=pl.lit(None, pl.Float64))
    others = where.select("place", neighbour="plant", x2="x_m", y2="y_m")
    near = spells.join(others, on="place").filter(pl.col("plant") != pl.col("neighbour")).sort("t")
    states = looks(data).filter(pl.col("state") != UNKNOWN).select("t", "state", neighbour="plant").sort("t")
    near = near.join_asof(states, on="t", by="neighbour", check_sortedness=False)
    held = near.filter(~pl.col("state").is_in([VACANT, FOUNDING, DIED]) & pl.col("state").is_not_null())
    metres = ((pl.col("x_m") - pl.col("x2")) ** 2 + (pl.col("y_m") - pl.col("y2")) ** 2).sqrt()
    nearest = held.group_by("plant", "spell").agg(colony_m=metres.min())
    return rows.join(nearest, on=["plant", "spell"], how="left", maintain_order="left")
