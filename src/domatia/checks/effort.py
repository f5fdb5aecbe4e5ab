"""How far a place was really searched in a round: what the place visits say, and what the plants' rows betray."""

import polars as pl

from domatia.checks.naming import place_names
from domatia.checks.places import around
from domatia.checks.sightings import FOUND
from domatia.model import StudyData

LOWEST_SHARE = 0.05
"""Below this share of listed plants with any status but missing, a place was hardly searched (common practice)."""


def occasion() -> pl.Expr:
    """Name the round of a visit; where none is linked, the year of the visit."""
    year = pl.col("when_earliest").dt.year().cast(pl.String).cast(pl.Binary)
    return pl.coalesce("round", year).alias("occasion")


def searches(data: StudyData, visits: pl.DataFrame) -> pl.DataFrame:
    """Tell for each place and occasion how far it was searched.

    Parameters
    ----------
    data : StudyData
    visits : polars.DataFrame
        From `sightings`.

    Returns
    -------
    polars.DataFrame
        `place`, `occasion`, `place_name`, the span of dates (`when_earliest`, `when_latest`), `listed`, `seen` (plants
        with a status that shows somebody looked), `unseen` ("not found"), `said` (fully, partly, not, or null where no
        place visit says it; the fullest of several) and `hardly`: at least two listed and under 5 % seen.
    """
    looked = pl.col("status").is_in([*FOUND, "unsearchable"]).fill_null(False) | pl.col("alive")
    by_place = (
        visits.filter(pl.col("place").is_not_null())
        .with_columns(occasion())
        .filter(pl.col("occasion").is_not_null())
        .group_by("place", "occasion")
        .agg(
            pl.col("round").max(),
            pl.col("when_earliest").min(),
            pl.col("when_latest").max(),
            pl.len().alias("listed"),
            looked.sum().alias("seen"),
            (pl.col("status") == "not found").sum().alias("unseen"),
        )
        .join(place_names(data), on="place", how="left")
    )
    said = _said(data, by_place)
    hardly = (pl.col("seen") < LOWEST_SHARE * pl.col("listed")) & (pl.col("listed") > 1)
    return by_place.join(said, on=["place", "occasion"], how="left").with_columns(hardly.alias("hardly"))


def _said(data: StudyData, by_place: pl.DataFrame) -> pl.DataFrame:
    words = data.table("place_visit").select(
        pl.col("place").alias("larger"),
        pl.col("round").alias("_round"),
        pl.col("when_earliest").alias("_from"),
        pl.col("when_latest").alias("_to"),
        "searched",
    )
    overlap = (pl.col("_from") <= pl.col("when_latest")) & (pl.col("_to") >= pl.col("when_earliest"))
    same = pl.when(pl.col("_round").is_null() | pl.col("round").is_null()).then(overlap)
    rank = pl.col("searched").replace_strict({"fully": 2, "partly": 1, "not": 0}, default=None, return_dtype=pl.Int8)
    return (
        by_place.select("place", "occasion", "round", "when_earliest", "when_latest")
        .join(around(data), on="place")
        .join(words, on="larger")
        .filter(same.otherwise(pl.col("_round") == pl.col("round")))
        .group_by("place", "occasion")
        .agg(pl.col("searched").sort_by(rank, descending=True, nulls_last=True).first().alias("said"))
    )


def with_search(data: StudyData, visits: pl.DataFrame) -> pl.DataFrame:
    """Add to each visit `really`: whether its place was really searched on that occasion.

    A place visit that says "not", or a place of which under 5 % of the listed plants were seen, was not.
    """
    unsearched = (
        searches(data, visits)
        .filter((pl.col("said") == "not").fill_null(False) | pl.col("hardly"))
        .select("place", "occasion", pl.lit(False).alias("really"))
    )
    return (
        visits.with_columns(occasion())
        .join(unsearched, on=["place", "occasion"], how="left", maintain_order="left")
        .with_columns(pl.col("really").fill_null(True))
    )
