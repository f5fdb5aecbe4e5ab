"""Observers: who they are among the study's people, and where each of them worked."""

import polars as pl

from domatia.checks.gather import Row, grouped
from domatia.checks.naming import place_names
from domatia.checks.written import written
from domatia.model import StudyData


def person(name: str, data: StudyData) -> bytes:
    """Give the subject of the person of that name; the study's own id where no person bears it."""
    people = data.table("person").filter(pl.col("name") == name).sort("subject_id")
    found: bytes = people["subject_id"][0] if people.height else data.study_id
    return found


def _line(row: Row) -> tuple[str, str, int]:
    return row["origin_file"] or "", row["origin_sheet"] or "", row["origin_row"] or 0


def sheets(rows: pl.DataFrame, name: str, data: StudyData) -> list[Row]:
    """Give the first record of each place and year in which an observer worked, as the places of a finding.

    Parameters
    ----------
    rows : polars.DataFrame
        The observer's records, with `place` and the date columns.
    name : str
        Empty where no observer is named.
    data : StudyData
    """
    who = f"observer {name}" if name else "observers not named"
    dated = rows.join(place_names(data), on="place", how="left").with_columns(
        written("when").alias("_written"), pl.col("when_earliest").dt.year().alias("_year")
    )
    dated = dated.drop("label", strict=False)
    first = [min(group, key=_line) for group in grouped(dated, "place_name", "_year")]
    for row in first:
        parts = [who, *(f"in {row['place_name']}" for _ in [0] if row["place_name"])]
        row["label"] = " ".join(parts) + (f", {row['_written']}" if row["_written"] else "")
    return first
