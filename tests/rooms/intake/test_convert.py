"""Cells become values last of all, and a bad cell is named, kept as written, and drops no row."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.rooms.intake.small_tables import bring, codes

CENSUS = """
[table]
row = "visit"
decimal = "{decimal}"
thousands = "{thousands}"
blank = ["", "NA"]
[plant]
key = "no"
[visit]
when = {{ column = "date", date = "dd/mm/yyyy" }}
status = {{ column = "st", words = {{ ok = "alive" }} }}
height_cm = {{ column = "ht", unit = "m", codes = {{ dead = ["+"], "not found" = ["?"], none = ["o"] }} }}
leaves = "lv"
"""


def mapping(decimal: str = ".", thousands: str = "") -> str:
    """Write the mapping of the small census."""
    return CENSUS.format(decimal=decimal, thousands=thousands)


def one(cells: str, decimal: str = ".", thousands: str = "") -> dict[str, object]:
    """Bring one row in and give its visit."""
    brought = bring(f"no,date,st,ht,lv\n{cells}", mapping(decimal, thousands))
    return brought.batch.tables["visit"].row(0, named=True)


@given(st.integers(0, 15000))
@settings(max_examples=25, deadline=None)
def test_a_height_in_metres_comes_back_in_centimetres(cm: int) -> None:
    """Whatever height is written in metres is kept in centimetres, exactly."""
    assert one(f"1,17/10/2003,ok,{cm // 100}.{cm % 100:02d},")["height_cm"] == cm


@pytest.mark.parametrize(
    ("decimal", "thousands", "cell", "cm"),
    [(",", "", '"1,25"', 125.0), (",", ".", '"1,25"', 125.0), (".", ",", "1.25", 125.0), (".", "", " 1.25 ", 125.0)],
)
def test_the_stated_decimal_sign_is_used(decimal: str, thousands: str, cell: str, cm: float) -> None:
    """A comma is a decimal sign only where the mapping says so."""
    assert one(f"1,17/10/2003,ok,{cell},", decimal, thousands)["height_cm"] == cm


@pytest.mark.parametrize(
    ("cells", "code", "column", "value"),
    [
        ('1,17/10/2003,ok,"1,25",', "not_a_number", "ht", "1,25"),
        ("1,17/10/2003,ok,1O,", "not_a_number", "ht", "1O"),
        ("1,17/10/2003,ok,nan,", "not_a_number", "ht", "nan"),
        ("1,17/10/2003,ok,\u0661\u0662,", "not_a_number", "ht", "\u0661\u0662"),
        ("1,17/10/2003,ok,1e400,", "not_a_number", "ht", "1e400"),
        ("1,17/10/2003,ok,900,", "out_of_limits", "ht", "900"),
        ("1,17/10/2003,ok,-1,", "out_of_limits", "ht", "-1"),
        ("1,17/10/2003,ok,,2.5", "not_whole", "lv", "2.5"),
        ("1,17/10/2003,alife,,", "unknown_word", "st", "alife"),
    ],
)
def test_a_bad_cell_is_named_and_kept_as_written(cells: str, code: str, column: str, value: str) -> None:
    """The finding names file, row, column and value; the row stays, the cell becomes a quantity."""
    brought = bring(f"no,date,st,ht,lv\n{cells}", mapping())
    (finding,) = brought.findings
    place = finding.where[0]
    assert (finding.code, place.file, place.row, place.column, finding.values) == (
        code,
        "field.csv",
        2,
        column,
        (value,),
    )
    assert brought.batch.tables["visit"].height == 1
    quantity = brought.batch.tables["quantity"].row(0, named=True)
    assert quantity["text"] == value
    assert quantity["name"].endswith("as written")
    assert quantity["of"] == brought.batch.tables["visit"]["subject_id"][0]


def test_whole_numbers_may_be_written_with_a_zero_behind_the_point() -> None:
    """Spreadsheets write 3 as 3.0; that is a whole number."""
    assert one("1,17/10/2003,ok,,3.0")["leaves"] == 3


@pytest.mark.parametrize(
    ("cell", "height", "status"),
    [("+", None, "dead confirmed"), ("?", None, "not found"), ("o", 0.0, None), ("", None, None)],
)
def test_codes_are_five_different_things(cell: str, height: float | None, status: str | None) -> None:
    """Dead, not found, none and blank do not become one another."""
    visit = one(f"1,17/10/2003,,{cell},")
    assert (visit["height_cm"], visit["status"]) == (height, status)


@pytest.mark.parametrize(("date", "code"), [("31/02/2003", "impossible_date"), ("soon", "date_not_read")])
def test_a_visit_without_a_readable_date_is_kept_as_quantities(date: str, code: str) -> None:
    """It cannot stand as a visit; every cell of it is kept on the plant."""
    brought = bring(f"no,date,st,ht,lv\n1,{date},ok,1.25,7", mapping())
    assert codes(brought) == sorted([code, "needed_missing"])
    assert "visit" not in brought.batch.tables
    kept = dict(brought.batch.tables["quantity"].select("name", "text").rows())
    assert kept == {
        "when as written": date,
        "visit status as written": "ok",
        "visit height_cm as written": "1.25",
        "visit leaves as written": "7",
    }
    assert set(brought.batch.tables["quantity"]["of"]) == set(brought.batch.tables["plant"]["subject_id"])


def test_a_date_that_could_be_two_is_not_guessed() -> None:
    """Without a stated form, 03/04/2005 is refused and the mapping is asked to say more."""
    text = mapping().replace('{ column = "date", date = "dd/mm/yyyy" }', '"date"')
    brought = bring("no,date,st,ht,lv\n1,03/04/2005,ok,1,7", text)
    assert "ambiguous_date" in codes(brought)


def test_many_bad_cells_are_counted_not_listed_for_ever() -> None:
    """A swapped column gives a thousand findings and one that counts the rest."""
    rows = "\n".join(f"{n},17/10/2003,ok,x{n}," for n in range(1200))
    brought = bring(f"no,date,st,ht,lv\n{rows}", mapping())
    assert len(brought.findings) == 1001
    assert "200 more cells" in brought.findings[-1].found


def test_a_position_in_a_cell_of_the_grid_is_moved_to_the_plot() -> None:
    """The cell's own corner is added; a cell of no name leaves the position empty and is told."""
    text = """
[table]
row = "plant"
[plant]
key = "no"
x_m = { column = "x", cell = "col", cell_size_m = 10 }
y_m = { column = "y", cell = "row", cell_size_m = 10 }
"""
    brought = bring("no,col,row,x,y\n1,3,B,4.5,0.5\n2,?,A,1,1", text)
    found = brought.batch.tables["plant"].sort("origin_row")
    assert found.select("x_m", "y_m").rows() == [(24.5, 10.5), (None, 1.0)]
    assert codes(brought) == ["no_such_cell"]


def test_words_can_speak_of_every_other_cell() -> None:
    """A star stands for all cells that have no word of their own."""
    text = mapping().replace("words = { ok", 'words = { "*" = "", ok')
    brought = bring("no,date,st,ht,lv\n1,17/10/2003,ok,1,7\n2,17/10/2003,90,1,7", text)
    assert sorted(map(str, brought.batch.tables["visit"]["status"])) == ["None", "alive"]
    assert not brought.findings
