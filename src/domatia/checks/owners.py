"""Whose a record is: the plant, directly or through its visit; what a person calls it."""

import polars as pl

from domatia.checks.naming import labelled, place_names
from domatia.checks.one_plant import with_kept
from domatia.checks.written import written
from domatia.model import StudyData, field


def owned(kind: str, data: StudyData) -> pl.DataFrame:
    """Give the table of one kind with the thing that a finding on it is about.

    Parameters
    ----------
    kind : str
        Record kind.
    data : StudyData

    Returns
    -------
    polars.DataFrame
        The table with `owner` (the plant, directly or through the visit; else the place; else the record's own subject)
        and `label`. Where the kind has no instant `when`, the visit's date is used, and without one there is no date.
    """
    table = data.table(kind)
    if kind == "occupancy":
        visit = data.table("visit").select(
            pl.col("subject_id").alias("visit"), "plant", "when_earliest", "when_latest", "when_instant"
        )
        table = table.join(visit, on="visit", how="left", maintain_order="left")
    if kind == "plant":
        table = table.with_columns(pl.col("subject_id").alias("plant"))
    if "plant" in table.columns:
        table = with_kept(table, data)
        named = labelled(table, data, "when" if "when_earliest" in table.columns else "")
        return named.with_columns(pl.coalesce("plant", "subject_id").alias("owner"))
    return _without_plant(kind, table, data)


def _without_plant(kind: str, table: pl.DataFrame, data: StudyData) -> pl.DataFrame:
    word = kind.replace("_", " ")
    if kind == "place":
        return table.with_columns(pl.col("subject_id").alias("owner"), pl.col("name").alias("label"))
    short = pl.concat_str([pl.lit(f"{word} "), pl.col("subject_id").bin.encode("hex").str.slice(0, 8)])
    named = short
    if "name" in table.columns:
        named = pl.coalesce(pl.concat_str([pl.lit(f"{word} "), pl.col("name")]), short)
    elif "number" in table.columns and field(kind, "number").type == "text":
        named = pl.coalesce(pl.concat_str([pl.lit(f"{word} "), pl.col("number")]), short)
    elif "place" in table.columns:
        table = table.join(place_names(data), on="place", how="left", maintain_order="left")
        named = pl.coalesce(pl.concat_str([pl.lit(f"{word} of "), pl.col("place_name")]), short)
    if "when_earliest" in table.columns:
        named = pl.coalesce(pl.concat_str([named, pl.lit(", "), written("when")]), named)
    return table.with_columns(pl.col("subject_id").alias("owner"), named.alias("label"))
