"""Treatments: what each plant was assigned to, since when, and what was done to it."""

import polars as pl

from domatia.checks.one_plant import with_kept
from domatia.checks.places import around
from domatia.model import StudyData

REMOVING = ("mechanical removal", "insecticide")


def assigned(data: StudyData) -> pl.DataFrame:
    """Give the treatment of each plant.

    Returns
    -------
    polars.DataFrame
        `plant`, `treatment` (name), `role`, `start_earliest`, `start_latest`; sorted by plant.
    """
    kinds = data.table("treatment").select(
        pl.col("subject_id").alias("treatment"), pl.col("name").alias("treatment_name"), "role"
    )
    return (
        with_kept(data.table("assignment"), data)
        .join(kinds, on="treatment", how="left")
        .select("plant", pl.col("treatment_name").alias("treatment"), "role", "start_earliest", "start_latest")
        .filter(pl.col("plant").is_not_null())
        .unique()
        .sort("plant", "treatment", "start_earliest", nulls_last=True)
    )


def removals(data: StudyData) -> pl.DataFrame:
    """Give the removal plants and the time from which they should be free of ants.

    Returns
    -------
    polars.DataFrame
        `plant`, `free_earliest`, `free_latest`: the first removal done to it, or else the start of its treatment; null
        if neither is known.
    """
    done = (
        on_plants(data)
        .filter(pl.col("kind").is_in(REMOVING) & pl.col("when_earliest").is_not_null())
        .group_by("plant")
        .agg(pl.col("when_earliest").min().alias("_done"), pl.col("when_latest").min().alias("_done_latest"))
    )
    return (
        assigned(data)
        .filter(pl.col("role") == "removal")
        .group_by("plant")
        .agg(pl.col("start_earliest").min(), pl.col("start_latest").min())
        .join(done, on="plant", how="left")
        .select(
            "plant",
            pl.coalesce("_done", "start_earliest").alias("free_earliest"),
            pl.coalesce("_done_latest", "start_latest").alias("free_latest"),
        )
        .sort("plant")
    )


def on_plants(data: StudyData) -> pl.DataFrame:
    """Give the interventions one row a plant: what was done to a whole place was done to each of its plants.

    Returns
    -------
    polars.DataFrame
        The columns of an intervention; `plant` is never null.
    """
    table = with_kept(data.table("intervention"), data)
    home = data.table("plant").select(pl.col("subject_id").alias("_plant"), "place")
    inside = around(data).join(home, on="place").select(pl.col("larger").alias("place"), "_plant")
    of_places = (
        table.filter(pl.col("plant").is_null())
        .join(inside, on="place")
        .with_columns(pl.col("_plant").alias("plant"))
        .select(table.columns)
    )
    return pl.concat([table.filter(pl.col("plant").is_not_null()), of_places])
