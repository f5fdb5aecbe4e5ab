"""The checks on a real census: 66,396 rows of an understorey herb in 13 plots (open data, see the archive's readme)."""

import os
from dataclasses import replace
from functools import cache
from pathlib import Path
from time import perf_counter

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


def test_deaths_after_a_gap_are_those_wider_than_a_year() -> None:
    """149 of 1,962 deaths lie in an interval of two years and more (another program's output: R 4.2, `table()`)."""
    assert len(run_checks(heliconia(), ["death_after_gap"])) == 123 + 15 + 9 + 1 + 1


def test_eight_plot_years_were_hardly_visited() -> None:
    """Seven plot-years without a plant seen and one with 2 of 235 are named, none besides (counted from the table)."""
    found = run_checks(heliconia(), ["place_not_visited"])
    assert [f.where[0].label for f in found] == [
        "CF-4, 2000", "CF-5, 2000", "CF-6, 2000", "CF-6, 2003", "FF-5, 2008", "FF-5, 2009", "FF-6, 2008", "FF-6, 2009",
    ]  # fmt: skip
    assert sum(len(f.where) - 1 for f in found) == 2596


def test_found_again_stays_the_same_once_the_unvisited_rounds_are_marked() -> None:
    """With the eight plot-years confirmed as not visited, 734 plants are found again and no place is in doubt."""
    data = heliconia()
    unseen = [w.record_id for f in run_checks(data, ["place_not_visited"]) for w in f.where if w.kind == "visit"]
    marked = pl.DataFrame({"record_id": pl.Series(unseen, dtype=pl.Binary), "marked": True})
    visits = data.table("visit").join(marked, on="record_id", how="left", maintain_order="left")
    visits = visits.with_columns(
        pl.when(pl.col("marked")).then(pl.lit("not visited")).otherwise("status").alias("status")
    ).drop("marked")
    confirmed = replace(data, tables={**data.tables, "visit": visits})
    assert run_checks(confirmed, ["place_not_visited"]) == ()
    assert len(run_checks(confirmed, ["not_found_then_found"])) == 734


def test_all_checks_run_in_seconds() -> None:
    """66,396 visits are checked in well under the 15 s allowed."""
    data = heliconia()
    start = perf_counter()
    found = run_checks(data)
    assert perf_counter() - start < 15
    assert {f.severity for f in found} == {"error", "warning", "note"}
