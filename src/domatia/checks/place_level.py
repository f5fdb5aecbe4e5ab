"""Findings about a whole place and round: the place itself stands first, then the plants' rows."""

import polars as pl

from domatia.checks.gather import Row
from domatia.model import StudyData, Where


def with_place(hits: pl.DataFrame, data: StudyData) -> pl.DataFrame:
    """Add name and origin of the place of each row, for `place_where`.

    Parameters
    ----------
    hits : polars.DataFrame
        With a column `place`.
    data : StudyData
    """
    places = data.table("place").select(
        pl.col("subject_id").alias("place"),
        pl.col("name").alias("place_name"),
        pl.col("record_id").alias("place_record"),
        *(pl.col(f"origin_{c}").alias(f"place_{c}") for c in ("file", "sheet", "row")),
    )
    drop = [c for c in ("place_name",) if c in hits.columns]
    return hits.drop(drop).join(places, on="place", how="left", maintain_order="left")


def place_where(row: Row, when: str = "occasion_written") -> Where:
    """Name the place of a row with the time that the finding is about."""
    name = row["place_name"] or "a place that is not in the study"
    return Where(
        file=row["place_file"] or "",
        sheet=row["place_sheet"] or "",
        row=row["place_row"],
        kind="place",
        record_id=row["place_record"] or b"",
        label=f"{name}, {row[when]}" if row.get(when) else name,
    )
