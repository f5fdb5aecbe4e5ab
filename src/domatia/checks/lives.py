"""The life of each plant as far as it was seen: first and last sight, and a confirmed death."""

import polars as pl


def lives(visits: pl.DataFrame) -> pl.DataFrame:
    """Give the span in which each plant was seen.

    Parameters
    ----------
    visits : polars.DataFrame
        From `sightings`.

    Returns
    -------
    polars.DataFrame
        `plant`; `first_earliest`, `first_latest`, `last_earliest`, `last_latest` (first and last sight of live or
        resprouting tissue); `death_latest` (last day of the first confirmed death, null if none); `missed` (whether a
        later visit did not find it).
    """
    there = (pl.col("alive") | (pl.col("status") == "no live tissue").fill_null(False)) & pl.col(
        "when_earliest"
    ).is_not_null()
    dead = (pl.col("status") == "dead confirmed").fill_null(False)
    unseen = (pl.col("status") == "not found").fill_null(False)
    return (
        visits.group_by("plant")
        .agg(
            pl.col("when_earliest").filter(there).min().alias("first_earliest"),
            pl.col("when_latest").filter(there).min().alias("first_latest"),
            pl.col("when_earliest").filter(there).max().alias("last_earliest"),
            pl.col("when_latest").filter(there).max().alias("last_latest"),
            pl.col("when_latest").filter(dead).min().alias("death_latest"),
            (pl.col("when_earliest").filter(unseen).max() > pl.col("when_latest").filter(there).max()).alias("missed"),
        )
        .with_columns(pl.col("missed").fill_null(False))
        .sort("plant")
    )
