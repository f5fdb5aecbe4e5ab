"""Visits in order: what was seen of each plant, from the first visit to the last."""

import polars as pl

from domatia.checks.one_plant import all_plants, with_kept
from domatia.model import StudyData

FOUND = ("alive", "no live tissue", "dead confirmed")


def is_alive() -> pl.Expr:
    """Tell whether a visit saw a live plant: it says so, or it has no status but a height or live shoots."""
    measured = (pl.col("height_cm") > 0) | (pl.col("shoots") > 0) | (pl.col("leaves") > 0)
    return (pl.col("status") == "alive").fill_null(False) | (pl.col("status").is_null() & measured.fill_null(False))


def sightings(data: StudyData, repeats: bool = False) -> pl.DataFrame:
    """Give the visits sorted by plant and date, merged plants read as one, with the plant's place.

    Parameters
    ----------
    data : StudyData
    repeats : bool
        Whether to keep second measures of the same visit (`repeat_of`).

    Returns
    -------
    polars.DataFrame
        The columns of a visit, `alive` (yes/no) and `place`.
    """
    visits = data.table("visit").filter(pl.col("plant").is_not_null())
    if not repeats:
        visits = visits.filter(pl.col("repeat_of").is_null())
    home = all_plants(data).select(pl.col("subject_id").alias("plant"), "place")
    return (
        with_kept(visits, data)
        .join(home, on="plant", how="left")
        .with_columns(is_alive().alias("alive"))
        .sort("plant", "when_earliest", "when_latest", "when_instant", "subject_id", nulls_last=True)
    )
