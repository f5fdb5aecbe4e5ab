"""A visit written twice, once rounded, is one visit with the finer value; different values stay two."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.rooms.intake.small_tables import bring, codes

from domatia.intake.brought import Brought

PAIR = """
[table]
row = "pair of years"
[groups]
names = ["t", "t1"]
years_later = [0, 1]
[plant]
key = "no"
[visit]
when = { column = "year", date = "yyyy" }
height_cm = "ht_{group}"
status = { column = "st_{group}", words = { 1 = "alive", 0 = "dead confirmed" } }
"""


def pair(end: str, start: str, mapping: str = PAIR, status: str = "1") -> Brought:
    """Bring in two rows of which the first ends, and the second starts, in the same year."""
    return bring(
        f"no;year;ht_t;st_t;ht_t1;st_t1\n1;2000;10;1;{end};1\n1;2001;{start};{status};14;1".replace(";", ","), mapping
    )


@pytest.mark.parametrize(
    ("end", "start", "kept"), [("12.3", "12.34", 12.34), ("12.34", "12", 12.34), ("12", "11.5", 11.5)]
)
def test_values_that_differ_by_rounding_are_one_visit(end: str, start: str, kept: float) -> None:
    """The more precise value is kept whichever row holds it, and one note says so."""
    brought = pair(end, start)
    assert codes(brought) == ["rounded_alike"]
    assert brought.findings[0].severity == "note"
    visits = brought.batch.tables["visit"].sort("when_earliest")
    assert visits["height_cm"].to_list() == [10.0, kept, 14.0]
    assert brought.findings[0].found.startswith("Of 1 visit written twice, height_cm differs by rounding only")


@pytest.mark.parametrize(("end", "start"), [("12.3", "12.4"), ("12.3", "12.36"), ("12", "13"), ("12.34", "12.35")])
def test_values_that_differ_by_more_stay_two_visits(end: str, start: str) -> None:
    """Both are kept as they were written, and a person decides."""
    brought = pair(end, start)
    assert codes(brought) == ["duplicate_key"]
    heights = brought.batch.tables["visit"]["height_cm"].sort().to_list()
    assert heights == sorted([10.0, float(end), float(start), 14.0])


def test_a_visit_that_differs_otherwise_keeps_what_was_written() -> None:
    """Alive in one row and dead in the other: two visits, and neither height is touched."""
    brought = pair("12.3", "12.34", status="0")
    assert codes(brought) == ["duplicate_key"]
    assert sorted(brought.batch.tables["visit"]["height_cm"].to_list()) == [10.0, 12.3, 12.34, 14.0]


def test_rounding_is_judged_in_the_unit_of_the_table() -> None:
    """Metres with one and with two decimals agree within 5 cm."""
    metres = PAIR.replace('height_cm = "ht_{group}"', 'height_cm = { column = "ht_{group}", unit = "m" }')
    brought = pair("1.2", "1.24", metres)
    assert codes(brought) == ["rounded_alike"]
    assert 124.0 in brought.batch.tables["visit"]["height_cm"].to_list()
    assert codes(pair("1.2", "1.26", metres)) == ["duplicate_key"]


@given(st.decimals(0, 500, places=3), st.integers(0, 2))
def test_a_rounded_value_always_meets_its_original(value: object, places: int) -> None:
    """Whatever the number and the decimals it is rounded to, the two are one visit with the original."""
    coarse = f"{round(float(str(value)), places):.{places}f}"
    brought = pair(str(value), coarse)
    assert brought.batch.tables["visit"].height == 3
    assert float(str(value)) in brought.batch.tables["visit"]["height_cm"].to_list()
