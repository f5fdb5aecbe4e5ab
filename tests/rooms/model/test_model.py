"""Fields, tables, profiles, findings and errors."""

from itertools import pairwise

import polars as pl
import pytest

from domatia.model import (
    Finding,
    Profile,
    StudyData,
    Where,
    WrongUse,
    all_fields,
    as_table,
    body_schema,
    empty_table,
    field,
    fields_of,
    kinds,
    read_profile,
    shipped_profile,
    shipped_profiles,
    table_schema,
)  # fmt: skip

PLANNED = {
    "study", "person", "permit", "place", "plant", "tag", "treatment", "assignment", "intervention", "round",
    "place_visit", "visit", "occupancy", "colony", "taxon", "leaf", "patrol", "trial", "nectar", "fight", "brood",
    "associate", "palatability", "dissection", "reproduction", "quantity", "settlement", "kept_answer",
}  # fmt: skip
UNITS = {"cm": "cm", "mm": "mm", "m": "m", "ml": "mL", "mg": "mg", "ul": "uL", "cm2": "cm2", "m2": "m2", "pct": "%"}


def test_every_record_of_the_plan_has_fields() -> None:
    """The kinds of the plan stand in the one table."""
    assert set(kinds()) >= PLANNED


def test_a_field_stands_once_and_links_lead_somewhere() -> None:
    """No column twice in a record; every link's target is a kind; limits lie in order; choices are several."""
    names = [(f.record, f.column) for f in all_fields()]
    assert len(names) == len(set(names))
    for f in all_fields():
        assert not f.target or f.target in kinds(), f
        assert f.low is None or f.high is None or f.low < f.high, f
        assert (f.type == "choice") == (len(f.choices) > 1), f
        assert f.meaning, f


def test_units_stand_in_the_names_of_columns() -> None:
    """A column whose name ends in a unit has that unit."""
    for f in all_fields():
        ending = f.column.rsplit("_", 1)[-1]
        if f.type in ("integer", "number") and "_" in f.column and ending in UNITS:
            assert f.unit == UNITS[ending], f


def test_dates_take_two_columns_and_instants_three() -> None:
    """Earliest, latest, and the clock time."""
    assert field("permit", "valid").stored_columns == ("valid_earliest", "valid_latest")
    assert field("intervention", "when").stored_columns[-1] == "when_instant"
    assert field("visit", "height_cm").stored_columns == ("height_cm",)


def test_an_unknown_kind_or_field_names_near_ones() -> None:
    """Wrong use, with what there is."""
    with pytest.raises(WrongUse, match=r"no record kind 'visits'.*Did you mean visit"):
        fields_of("visits")
    with pytest.raises(WrongUse, match=r"visit record has no field 'hight_cm'.*Did you mean height_cm"):
        field("visit", "hight_cm")


def test_a_table_is_brought_into_its_shape() -> None:
    """Missing columns are null, types as in the schema; a column that the kind lacks is an error of the program."""
    table = as_table("visit", pl.DataFrame({"height_cm": [50], "subject_id": [b"x"]}))
    assert table.schema == table_schema("visit")
    assert table["height_cm"].to_list() == [50.0]
    assert table["status"].to_list() == [None]
    assert empty_table("plant").schema == table_schema("plant")
    assert set(body_schema("plant")) < set(table_schema("plant"))
    with pytest.raises(ValueError, match="a table of visit has no column colour"):
        as_table("visit", pl.DataFrame({"colour": ["red"]}))


def test_a_study_gives_empty_tables_for_what_it_lacks() -> None:
    """A kind without rows is an empty table; no kind of that name is a program's error."""
    data = StudyData(b"s" * 16, "s", Profile(), {})
    assert data.table("leaf").is_empty()
    with pytest.raises(KeyError, match="leaves"):
        data.table("leaves")


@pytest.mark.parametrize("name", shipped_profiles())
def test_shipped_profiles_are_read_and_speak_of_fields_that_exist(name: str) -> None:
    """Ranges name fields of the table and lie within what is possible; classes join without a gap."""
    profile, text = shipped_profile(name)
    assert read_profile(text) == profile
    for where, (low, high) in profile.ranges.items():
        f = field(*where.split("."))
        assert low < high
        assert f.low is None or low >= f.low
        assert f.high is None or high <= f.high
    for classes in profile.damage_classes.values():
        assert all(a.high_pct == b.low_pct for a, b in pairwise(classes) if b.low_pct > 0)
        assert classes[-1].high_pct == 100
    assert all(1 <= m <= 12 for m in profile.dry_months)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("name = ", "is not TOML"),
        ('colour = "red"\nsize = 3', "colour.*size|size.*colour"),
        ('tag_scope = "forest"', r"tag_scope = 'forest'.*Allowed: plot, site, study"),
        ('[ranges]\n"visit.height_cm" = ["low", "high"]', "value of the wrong form"),
        ('[damage_classes]\nt = [["a", 1]]', "value of the wrong form"),
        ("dry_months = 7", "value of the wrong form"),
        ("dry_months = [5, 13]", "dry_months with 13"),
        ('residue_days = "two weeks"\nname = 3', r"name = 3, residue_days = 'two weeks'"),
        ("barrier_days = -1", "barrier_days = -1"),
        ('[ranges]\n"visit.hight_cm" = [1, 2]', r"visit.hight_cm.*Allowed:.*visit.height_cm"),
    ],
)
def test_a_profile_that_cannot_be_read_is_wrong_use(text: str, match: str) -> None:
    """The file's name and what is wrong with it, all unknown keys at once."""
    with pytest.raises(WrongUse, match=match):
        read_profile(text, "mine")


def test_wrong_use_says_asked_near_allowed_and_next() -> None:
    """In that order, as sentences; near names only where names are allowed."""
    error = WrongUse("No field heigth", ["height_cm", "shoots"], "Look at the list.", name="heigth_cm")
    assert str(error) == (
        "No field heigth. Did you mean height_cm? Allowed: height_cm, shoots. Look at the list."
    )  # fmt: skip
    assert str(WrongUse("No.", "anything else", name="x")) == "No. Allowed: anything else."


def finding(values: tuple[str, ...] = ("7",), subjects: tuple[bytes, ...] = (b"a", b"b")) -> Finding:
    """Make a finding."""
    place = Where(file="f.csv", sheet="s", row=3, column="h", label="plant 7")
    return Finding("unit_jump", "warning", (place,), "Found.", "Expected.", "Do.", subjects, values)


def test_a_finding_is_named_by_its_subjects_and_values() -> None:
    """The order of subjects does not matter, values do; the text names file, sheet, row and column."""
    assert finding().key == finding(subjects=(b"b", b"a")).key
    assert len({finding().key, finding(("8",)).key, finding(subjects=(b"a",)).key}) == 3
    assert str(finding()) == "plant 7; f.csv [s] row 3 column h: Found. Expected: Expected. Do."
    assert str(Where()) == "the study"
    assert str(Where(kind="visit")) == "visit"
    assert str(Where(column="h")) == "column h"
