"""Fights with the names of their colonies, as findings tell them."""

import polars as pl

from domatia.checks.written import written
from domatia.model import StudyData


def fighters(data: StudyData) -> pl.DataFrame:
    """Give the fights.

    Returns
    -------
    polars.DataFrame
        The fight's columns with `name_a`, `name_b` (null if the colony is not named or not in the study) and `label`,
        such as "the fight of C1 and C2, 2003-05-01".
    """
    colonies = data.table("colony")
    rows = data.table("fight")
    for side in ("a", "b"):
        named = colonies.select(pl.col("subject_id").alias(f"colony_{side}"), pl.col("name").alias(f"name_{side}"))
        rows = rows.join(named, on=f"colony_{side}", how="left", maintain_order="left")
    told = pl.format(
        "the fight of {} and {}",
        pl.col("name_a").fill_null("an unnamed colony"),
        pl.col("name_b").fill_null("an unnamed colony"),
    )
    return rows.with_columns(
        label=pl.when(pl.col("when_earliest").is_null())
        .then(told)
        .otherwise(pl.format("{}, {}", told, written("when")))
    )
