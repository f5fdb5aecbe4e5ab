"""Flowers, fruits and seeds of each plant in each year that was counted."""

from dataclasses import dataclass

import polars as pl

from domatia.histories.deaths import death_intervals
from domatia.histories.moments import position
from domatia.model.study import StudyData

STAGES = ("flowers", "fruits", "seeds")
BEFORE = "count from before the treatment began"
NOBODY = "count of a plant that is not compared"
_CLOSE_DAYS = 21.0
"""A plant found dead so soon after the count of its block was dead at the count."""


@dataclass(frozen=True)
class PlantYears:
    """One row a plant and year in which plants of its block were counted.

    Attributes
    ----------
    rows : polars.DataFrame
        `plant`, `year`, `t` (day since 1970 of the last count, of the block's count for plants not counted), `state`
        ("counted", "dead", "not counted", "unknown"), `flowers`, `fruits`, `seeds` (the largest count of the year;
        null where that stage was not counted). Sorted by `plant`, `year`.
    used : dict of str to list of bytes
        Records used, by kind.
    left_out : dict of str to list of bytes
    uncounted : int
        Block-years after the treatment, within the years of the study, in which nobody counted.
    """

    rows: pl.DataFrame
    used: dict[str, list[bytes]]
    left_out: dict[str, list[bytes]]
    uncounted: int


def plant_years(data: StudyData, members: pl.DataFrame) -> PlantYears:
    """Gather the counts of the plants compared.

    Several counts of one stage in one calendar year give the largest. A plant of a counted block-year without a count
    is "dead" if it was found dead by then, "not counted" if it was seen alive later, else "unknown". A blank is no
    nought.

    Parameters
    ----------
    data : StudyData
    members : polars.DataFrame
        `plant`, `cluster`, `start` (day since 1970 of the treatment, null without one).
    """
    counts = _counts(data)
    own = counts.join(members, on="plant", how="left")
    nobody = own.filter(pl.col("cluster").is_null())
    before = own.filter(pl.col("cluster").is_not_null() & (pl.col("t") < pl.col("start")))
    kept = own.filter(pl.col("cluster").is_not_null() & (pl.col("t") >= pl.col("start").fill_null(float("-inf"))))
    most = kept.group_by("plant", "cluster", "year").agg(pl.col("t").max(), *(pl.col(s).max() for s in STAGES))
    counted_blocks = kept.group_by("cluster", "year").agg(block_t=pl.col("t").median())
    every = members.join(counted_blocks, on="cluster").filter(
        pl.col("start").is_null() | (pl.col("start") <= pl.col("block_t"))
    )
    rows = every.join(most.drop("cluster"), on=["plant", "year"], how="left")
    rows = rows.join(_lives(data), on="plant", how="left")
    at = pl.coalesce("t", "block_t")
    state = (
        pl.when(pl.col("t").is_not_null()).then(pl.lit("counted"))
        .when(pl.col("found_dead") <= at + _CLOSE_DAYS).then(pl.lit("dead"))
        .when(pl.col("last_alive") >= at).then(pl.lit("not counted"))
        .otherwise(pl.lit("unknown"))
    )  # fmt: skip
    rows = rows.select("plant", "year", at.alias("t"), state.alias("state"), *STAGES).sort("plant", "year")
    left_out = {
        reason: part["record_id"].sort().to_list()
        for reason, part in ((NOBODY, nobody), (BEFORE, before))
        if part.height
    }
    used = {
        str(k[0]): part["record_id"].sort().to_list()
        for k, part in kept.sort("kind").group_by("kind", maintain_order=True)
    }
    years = rows["year"].n_unique()
    blocks = members["cluster"].n_unique()
    return PlantYears(rows, used, left_out, max(blocks * years - counted_blocks.height, 0))


def _counts(data: StudyData) -> pl.DataFrame:
    """Give all counts, from the records of reproduction and from visits."""
    parts = []
    for kind, stages in (("reproduction", STAGES), ("visit", STAGES[:2])):
        table = data.table(kind)
        here = table.filter(pl.any_horizontal(pl.col(s).is_not_null() for s in stages))
        parts.append(
            here.select(
                "plant", "record_id", kind=pl.lit(kind), t=position(), year=pl.col("when_earliest").dt.year(),
                **{s: pl.col(s) if s in stages else pl.lit(None, pl.Int64) for s in STAGES},
            )
        )  # fmt: skip
    return pl.concat(parts).filter(pl.col("t").is_not_null() & pl.col("plant").is_not_null())


def _lives(data: StudyData) -> pl.DataFrame:
    table = death_intervals(data).table
    return table.select(
        "plant", last_alive=pl.col("origin") + pl.col("left"), found_dead=pl.col("origin") + pl.col("right")
    )


def first_size(data: StudyData, members: pl.DataFrame) -> pl.DataFrame:
    """Give `plant` and `log_size`: the log of the last height at or before the plant's treatment, else of its first.

    Parameters
    ----------
    data : StudyData
    members : polars.DataFrame
        `plant`, `start`.
    """
    seen = data.table("visit").filter((pl.col("height_cm") > 0) & pl.col("repeat_of").is_null())
    seen = seen.select("plant", "record_id", "height_cm", t=position()).filter(pl.col("t").is_not_null())
    joined = seen.join(members.select("plant", "start"), on="plant").sort("plant", "t", "record_id")
    early = pl.col("t") <= pl.col("start").fill_null(float("-inf")) + 1
    size = pl.coalesce(pl.col("height_cm").filter(early).last(), pl.col("height_cm").first())
    return joined.group_by("plant").agg(log_size=size.log()).sort("plant")
