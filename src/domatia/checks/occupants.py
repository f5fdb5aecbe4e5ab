"""Which ants were on which plant at which visit."""

import polars as pl

from domatia.checks.sightings import sightings
from domatia.model import StudyData

GONE = ("none", "dead queen only", "abandoned")


def _lives() -> pl.Expr:
    counted = (pl.col("queens_alive") > 0) | (pl.col("workers") > 0) | (pl.col("domatia_occupied") > 0)
    stage = pl.when(pl.col("stage").is_not_null()).then(~pl.col("stage").is_in(GONE))
    return pl.col("looked").fill_null(False) & stage.otherwise(pl.col("taxon").is_not_null() | counted.fill_null(False))


def _tells() -> pl.Expr:
    values = ("stage", "taxon", "queens_alive", "queens_dead", "workers", "domatia_occupied")
    something = pl.any_horizontal(*(pl.col(c).is_not_null() for c in values))
    return (pl.col("looked") & something).fill_null(False) | (~pl.col("looked")).fill_null(False)


def occupants(data: StudyData) -> pl.DataFrame:
    """Give the occupancy rows with the plant and date of their visit, in order.

    Returns
    -------
    polars.DataFrame
        The columns of an occupancy; `plant`, `place`, the date columns `when_...` and `round` of the visit; `ant` (the
        name, "an unnamed ant" where none is given), `lives` (a live queen or colony was seen) and `tells` (the row says
        that nobody looked, or what was seen).
    """
    seen = sightings(data, repeats=True).select(
        pl.col("subject_id").alias("visit"), "plant", "place", "when_earliest", "when_latest", "when_instant", "round"
    )
    names = data.table("taxon").select(pl.col("subject_id").alias("taxon"), pl.col("name").alias("ant"))
    return (
        data.table("occupancy")
        .join(seen, on="visit")
        .join(names, on="taxon", how="left")
        .with_columns(_lives().alias("lives"), _tells().alias("tells"), pl.col("ant").fill_null("an unnamed ant"))
        .sort("plant", "when_earliest", "when_latest", "when_instant", "ant", "subject_id", nulls_last=True)
    )
