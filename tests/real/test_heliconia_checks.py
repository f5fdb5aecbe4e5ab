"""The checks on a real census: 66,396 rows of an understorey herb in 13 plots (open data, see the archive's readme)."""

import os
from functools import cache
from pathlib import Path

import polars as pl
import pytest

from domatia.checks import run_checks
from domatia.model import Profile, StudyData, as_table
from domatia.model.identity import named_id

DATA = os.environ.get("DOMATIA_REAL_DATA")
pytestmark = [
    pytest.mark.real,
    pytest.mark.skipif(not DATA, reason="DOMATIA_REAL_DATA names no folder of real tables"),
]

STUDY = b"heliconia-census"
STATUS = {"measured": "alive", "dead": "dead confirmed", "missing": "not found"}


def _id(kind: str, key: pl.Expr) -> pl.Expr:
    return key.cast(pl.String).map_elements(lambda k: named_id(STUDY, kind, k), return_dtype=pl.Binary)


def _identified(kind: str, frame: pl.DataFrame, key: pl.Expr) -> pl.DataFrame:
    subject = _id(kind, key)
    return as_table(kind, frame.with_columns(subject.alias("subject_id"), subject.alias("record_id")))


def _span(first: pl.Expr, last: pl.Expr, name: str) -> list[pl.Expr]:
    return [pl.date(first, 1, 1).alias(f"{name}_earliest"), pl.date(last, 12, 31).alias(f"{name}_latest")]


@cache
def heliconia() -> StudyData:
    """Read the tidy table as it stands, every "missing" as "not found"."""
    file = Path(DATA or "") / "heliconia_census" / "HDP_survey.csv"
    raw = pl.read_csv(file, null_values="NA", infer_schema_length=None).with_row_index("row", offset=2)
    year = pl.col("year")
    first = raw.group_by("plant_id").agg(
        pl.col("plot_id").first(), pl.col("subplot").first(), pl.col("tag_number").first().cast(pl.String).alias("tag"),
        year.min().alias("first"), year.max().alias("last"), pl.col("recorded_sdlg").any().alias("seedling"),
        pl.col("adult_no_tag").any().alias("adult"),
    )  # fmt: skip
    place = _id("place", pl.col("plot_id"))
    origin = pl.when(pl.col("seedling")).then(pl.lit("seedling")).when("adult").then(pl.lit("found as adult"))
    plants = first.select(
        "plant_id",
        "subplot",
        place.alias("place"),
        origin.alias("origin"),
        *_span(pl.col("first"), pl.col("first"), "first_seen"),
    )
    tags = first.select(
        "plant_id", "tag", _id("plant", pl.col("plant_id")).alias("plant"), place.alias("place"),
        *_span(pl.col("first"), pl.col("last"), "borne"),
    )  # fmt: skip
    visits = raw.select(
        "plant_id", "year", _id("plant", pl.col("plant_id")).alias("plant"), *_span(year, year, "when"),
        pl.col("census_status").replace_strict(STATUS).alias("status"),
        pl.col("ht").cast(pl.Float64).alias("height_cm"),
        pl.col("shts").alias("shoots"), pl.col("infl").alias("flowers"), pl.col("treefall_status").alias("condition"),
        pl.lit(file.name).alias("origin_file"), pl.col("row").cast(pl.Int64).alias("origin_row"),
    )  # fmt: skip
    key = pl.concat_str(["plant_id", pl.lit(" "), "year"])
    places = raw.select(pl.col("plot_id").alias("name")).unique().with_columns(pl.lit("plot").alias("level"))
    return StudyData(
        study_id=STUDY,
        name="heliconia census",
        profile=Profile(ranges={"visit.height_cm": (0.5, 3000), "visit.shoots": (0, 500)}),
        tables={
            "place": _identified("place", places, pl.col("name")),
            "plant": _identified(
                "plant",
                plants.rename({"plant_id": "note"}).with_columns(pl.col("note").cast(pl.String)),
                pl.col("note"),
            ),
            "tag": _identified(
                "tag",
                tags.drop("plant_id").with_columns(tags["plant_id"].cast(pl.String).alias("note")),
                pl.col("note"),
            ),
            "visit": _identified(
                "visit", visits.with_columns(key.alias("note")).drop("plant_id", "year"), pl.col("note")
            ),
        },
    )


def test_thirty_two_tags_are_borne_by_two_plants() -> None:
    """32 plot and tag pairs stand on two plants each (counted from the table itself; our own earlier value)."""
    found = run_checks(heliconia(), ["tag_borne_by_two"])
    assert len(found) == 32
    assert all(len(f.subjects) == 2 for f in found)


def test_seven_hundred_and_thirty_four_plants_are_found_again() -> None:
    """734 plants are seen alive after a not-found row in a plot really searched (our own earlier value)."""
    found = run_checks(heliconia(), ["not_found_then_found"])
    assert len(found) == 734
    assert len({f.subjects for f in found}) == 734


def test_no_plant_comes_back_from_the_dead_and_none_is_there_twice() -> None:
    """The published table was cleaned of both (no plant measured in or after the year recorded dead)."""
    assert run_checks(heliconia(), ["back_from_the_dead", "duplicate_visit"]) == ()


def test_findings_name_file_and_row() -> None:
    """Each finding on a visit names the table and the row it came from."""
    first = run_checks(heliconia(), ["shrinkage"])[0].where[0]
    assert first.file == "HDP_survey.csv"
    assert first.row is not None
