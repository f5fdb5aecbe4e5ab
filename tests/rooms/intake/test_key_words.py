"""Keys are said as a person would say them."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.rooms.intake.small_tables import bring

from domatia.intake.key_words import date_words, key_parts
from domatia.intake.shape_keys import joined_key

CENSUS = """
[table]
row = "visit"
[place]
name = "plot"
[plant]
key = ["place.name", "no"]
[visit]
when = { column = "date", date = "yyyy-mm-dd" }
height_cm = "ht"
"""


def test_a_visit_written_twice_names_plant_place_and_day() -> None:
    """The finding says "plant 7 in Mill, 2021-09-22" and shows no separator of keys."""
    rows = "Mill,7,2021-09-22,10\nMill,7,2021-09-22,11\nFord,8,2021-09-22,5"
    (finding,) = bring("plot,no,date,ht\n" + rows, CENSUS).findings
    assert finding.code == "duplicate_key"
    assert finding.found == "2 rows speak of one visit (plant 7 in Mill, 2021-09-22): rows 2, 3."
    assert {w.label for w in finding.where} == {"plant 7 in Mill, 2021-09-22"}


def test_a_plant_listed_twice_names_its_place() -> None:
    """A list of plants says "plant 7 in Mill" whatever signs stand in the names."""
    mapping = '[table]\nrow = "plant"\n[place]\nname = "plot"\n[plant]\nkey = ["place.name", "no"]\nspecies = "sp"'
    found = bring("plot,no,sp\nMill,7,x\nMill,7,y\nA|B,1,x\nA|B,1,y", mapping).findings
    assert sorted(f.where[0].label for f in found) == ["plant 1 in A|B", "plant 7 in Mill"]


def test_rows_that_differ_name_the_plant() -> None:
    """A field that varies within a plant is told with the plant's own words."""
    rows = "Mill,7,2021-09-22,10,x\nMill,7,2022-09-22,11,y"
    mapping = CENSUS.replace("[visit]", 'species = "sp"\n[visit]')
    (finding,) = bring("plot,no,date,ht,sp\n" + rows, mapping).findings
    assert finding.found == "The rows of plant 7 in Mill differ: 'x', 'y'."


@pytest.mark.parametrize(
    ("stored", "said"),
    [
        ("2021-09-22/2021-09-22", "2021-09-22"),
        ("2021-09-01/2021-09-30", "2021-09"),
        ("2021-01-01/2021-12-31", "2021"),
        ("2021-01-03/2021-02-07", "2021-01-03 to 2021-02-07"),
        ("2021-09-22T10:00:00+00:00", "2021-09-22T10:00:00+00:00"),
    ],
)
def test_a_date_is_said_as_precisely_as_it_was_written(stored: str, said: str) -> None:
    """Days, months, years and spans; a moment stays."""
    assert date_words(stored) == said


@given(st.lists(st.text(), min_size=1, max_size=4))
def test_a_key_can_be_taken_apart_again(parts: list[str]) -> None:
    """Whatever stands in the parts, separators and backslashes too."""
    key = joined_key([pl.Series([p]) for p in parts])[0]
    assert key_parts(key) == tuple(parts)
