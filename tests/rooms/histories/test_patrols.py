"""Counts on patrol and rewards as histories: times, places on earth, who lived there, quantities in their units."""

from dataclasses import replace
from datetime import date

import polars as pl
import pytest

from domatia.histories.leaf_saved import compared_treatments, leaves_after_a_year, lost_in_a_year
from domatia.histories.patrols import NO_ANTS, NOT_LOOKED, TREATED, patrols
from domatia.histories.rewards import FOOD_ENERGY, domatia_of_held_plants, nectar_of, quantity_of
from domatia.histories.time_of_day import clock_hours, coordinates, seconds_of
from domatia.lifecycle import DEFAULT, observe
from domatia.model import Profile, StudyData, as_table
from domatia.model.identity import named_id


def _id(kind: str, name: str) -> bytes:
    return named_id(b"made", kind, name)


def made(**tables: list[dict[str, object]]) -> StudyData:
    """Give a study of these records; links and ids are written as names, `when` as a date."""
    found = {}
    for kind, rows in tables.items():
        filled = []
        for i, row in enumerate(rows):
            one: dict[str, object] = {"subject_id": _id(kind, str(row.get("id", i)))}
            one["record_id"] = one["subject_id"]
            for key, value in row.items():
                if key in ("plant", "place", "visit", "taxon", "within"):
                    one[key] = None if value is None else _id("place" if key == "within" else key, str(value))
                elif key == "when":
                    one |= {"when_earliest": value, "when_latest": value}
                elif key != "id":
                    one[key] = value
            filled.append(one)
        found[kind] = as_table(kind, pl.DataFrame(filled, infer_schema_length=None))
    return StudyData(b"made", "made", Profile(), found)


def counts(*days: int) -> list[dict[str, object]]:
    """Give gate counts on plant a on these days of May."""
    return [{"plant": "a", "when": date(2022, 5, d), "method": "gate", "seconds": 60.0, "ants": 5} for d in days]


LOOKS: dict[str, list[dict[str, object]]] = {
    "plant": [{"id": "a"}, {"id": "b"}],
    "taxon": [{"id": "x", "name": "little ant"}],
    "visit": [
        {"id": "1", "plant": "a", "when": date(2022, 5, 2), "status": "alive"},
        {"id": "2", "plant": "a", "when": date(2022, 5, 10), "status": "alive"},
    ],
    "occupancy": [
        {"visit": "1", "looked": True, "taxon": "x", "stage": "patrolling"},
        {"visit": "2", "looked": True, "taxon": None, "stage": "none"},
    ],
}


def test_the_last_look_at_or_before_the_count_says_who_lived_there() -> None:
    """Before any look nobody knows; on its day and later it counts; after a look that found none there are none."""
    found = patrols(made(patrol=counts(1, 2, 9, 12), **LOOKS))
    assert found.rows.sort("t")["ant"].to_list() == [NOT_LOOKED, "little ant", "little ant"]
    assert found.rows.sort("t")["looked_days"].to_list() == [None, 0.0, 7.0]
    assert len(found.left_out[NO_ANTS]) == 1


def test_after_a_removal_nothing_is_known() -> None:
    """A count on the day of the removal was made before it; the next day's is left out."""
    act: list[dict[str, object]] = [{"plant": "a", "when": date(2022, 5, 4), "kind": "insecticide"}]
    found = patrols(made(patrol=counts(3, 4, 5), intervention=act, **LOOKS))
    assert found.rows.height == 2
    assert len(found.left_out[TREATED]) == 1


def test_a_plants_own_coordinates_else_those_of_the_nearest_place_around_it() -> None:
    """A latitude alone is no place; the block has none, its site has."""
    data = made(
        place=[
            {"id": "site", "name": "site", "level": "site", "longitude": -60.0, "latitude": 4.0},
            {"id": "block", "name": "block", "level": "block", "within": "site", "latitude": 9.0},
        ],
        plant=[
            {"id": "a", "place": "block"},
            {"id": "b", "place": "block", "longitude": -61.5, "latitude": 5.0},
            {"id": "c", "place": None},
        ],
    )
    table = coordinates(data)
    at = {p: (x, y) for p, x, y in table.iter_rows()}
    assert at[_id("plant", "a")] == (-60.0, 4.0)
    assert at[_id("plant", "b")] == (-61.5, 5.0)
    assert at[_id("plant", "c")] == (None, None)


def test_instants_with_any_offset_are_one_moment() -> None:
    """The same moment written in two zones; a bare date has no time of day; the clock shows the zone's hour."""
    table = pl.DataFrame({"when_instant": ["2022-05-01T13:30:00+00:00", "2022-05-01T08:30:00-05:00", None]})
    seconds = seconds_of(table)
    assert seconds[0] == seconds[1]
    assert seconds[2] is None
    assert clock_hours(seconds, "Etc/GMT+5").to_list() == [8.5, 8.5, None]
    assert clock_hours(seconds, "no such zone").to_list() == [13.5, 13.5, None]


def test_quantities_in_known_units_and_others() -> None:
    """kJ/g is J/mg; capital letters do not matter; another unit is named as strange."""
    rows: list[dict[str, object]] = [
        {"id": "1", "name": "Food body energy", "number": 21.0, "unit": "kJ/g"},
        {"id": "2", "name": "food body energy", "number": 5.0, "unit": "cal/mg"},
    ]
    values, ids, strange = quantity_of(made(quantity=rows), FOOD_ENERGY)
    assert (values, ids, strange) == ([21.0], [_id("quantity", "1")], [_id("quantity", "2")])


def test_nectar_over_a_span_of_months_has_no_month() -> None:
    """A date known to the year cannot stand for a month."""
    row: dict[str, object] = {"plant": "a", "kind": "standing crop", "volume_ul": 1.0, "brix_pct": 20.0, "nectaries": 2}
    spans = [row | {"when_earliest": date(2022, 5, 1), "when_latest": date(2022, m, 31)} for m in (5, 12)]
    found = nectar_of(made(plant=[{"id": "a"}], nectar=spans))
    assert found.rows["month"].to_list() == [5]
    assert len(found.left_out["record without a month"]) == 1


@pytest.fixture(scope="module")
def study() -> StudyData:
    """Simulate a small study."""
    return observe(DEFAULT.sized(6, 30), 3, questions=())


def test_domatia_are_those_of_the_last_look_that_found_workers(study: StudyData) -> None:
    """One row a plant, and never of a vacant look."""
    table = domatia_of_held_plants(study)
    assert table["plant"].n_unique() == table.height > 50
    held = study.table("occupancy").filter(pl.col("stage").is_in(["patrolling", "established"]))["visit"]
    ids = study.table("visit").filter(pl.col("subject_id").is_in(held.implode()))["record_id"]
    assert table["record_id"].is_in(ids.implode()).all()


def test_leaf_lost_and_leaves_left(study: StudyData) -> None:
    """Removal against sham, against control without a sham; shares between nought and one; visits near a year."""
    assert compared_treatments(study) == ("removal", "sham")
    bare = study.table("treatment").filter(pl.col("role") != "sham")
    assert compared_treatments(replace(study, tables={**study.tables, "treatment": bare})) == ("removal", "control")
    lost = lost_in_a_year(study)
    assert lost["lost"].is_between(0, 1).all()
    assert set(lost["role"]) == {"removal", "sham", "control"}
    leaves = leaves_after_a_year(study, "sham")
    assert leaves["plant"].n_unique() == leaves.height > 20
