"""Whatever a row stands for, it becomes one row for each thing said."""

import pytest
from tests.rooms.intake.small_tables import bring, codes, table

from domatia.intake.mapping_parse import parse_mapping
from domatia.intake.shapes import rows_of
from domatia.model import WrongUse

WIDE = """
[table]
row = "plant with repeated groups"
[groups]
names = ["1998", "1999"]
columns = { note = ["first", "second"] }
[plant]
key = ["plot", "no"]
species = "sp"
[visit]
when = { column = "@group", date = "yyyy" }
height_cm = "ht {group}"
status = { column = "{note}", words = { d = "dead confirmed", m = "not found" }, alive_if = ["ht {group}"] }
[[quantity]]
column = "{note}"
of = "visit"
name = "note"
"""

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


def test_repeated_groups_become_visits_where_something_is_said() -> None:
    """One plant's row gives a visit for each year with a cell, and no visit for a blank year."""
    brought = bring("plot,no,sp,ht 1998,first,ht 1999,second\nA,1,x,10,,,d\nA,2,x,,,7,\nA,3,x,,,,", WIDE)
    visits = brought.batch.tables["visit"].sort("origin_row", "when_earliest")
    told = visits.select("origin_row", "when_earliest", "height_cm", "status").rows()
    assert [(r, w.year, h, s) for r, w, h, s in told] == [
        (2, 1998, 10.0, "alive"),
        (2, 1999, None, "dead confirmed"),
        (3, 1999, 7.0, "alive"),
    ]
    assert brought.batch.tables["plant"].height == 3
    assert brought.batch.tables["quantity"]["name"].to_list() == ["note"]


def test_two_plants_with_one_number_stay_two() -> None:
    """Rows with the same key are told, and both are kept under ids that do not depend on their order."""
    head = "plot,no,sp,ht 1998,first,ht 1999,second\n"
    one, two = "A,1,x,10,,,", "A,1,y,20,,,"
    brought, turned = bring(head + one + "\n" + two, WIDE), bring(head + two + "\n" + one, WIDE)
    assert codes(brought) == ["duplicate_key"]
    assert [w.row for w in brought.findings[0].where] == [2, 3]
    named = [set(b.batch.tables["plant"].select("subject_id", "species").rows()) for b in (brought, turned)]
    assert named[0] == named[1]
    assert len(named[0]) == 2


def test_a_pair_of_years_meets_in_one_visit() -> None:
    """The year that two rows speak of is one visit; where they contradict each other, both are kept and told."""
    head = "no,year,ht_t,st_t,ht_t1,st_t1\n"
    brought = bring(head + "1,2000,10,1,12,1\n1,2001,12,1,,0", PAIR + '[round]\nname = "year"\n')
    visits = brought.batch.tables["visit"].sort("when_earliest")
    assert [(w.year, h, s) for w, h, s in visits.select("when_earliest", "height_cm", "status").rows()] == [
        (2000, 10.0, "alive"),
        (2001, 12.0, "alive"),
        (2002, None, "dead confirmed"),
    ]
    assert not brought.findings
    rounds = dict(brought.batch.tables["round"].select("subject_id", "name").rows())
    assert [rounds[r] for r in visits["round"]] == ["2000", "2001", "2002"]
    torn = bring(head + "1,2000,10,1,12,1\n1,2001,13,1,,0", PAIR)
    assert codes(torn) == ["duplicate_key"]
    assert torn.batch.tables["visit"].height == 4


def test_sheets_of_one_workbook_come_in_together() -> None:
    """A sheet a year can give the year by its own name; sheets that the mapping does not mean are left aside."""
    text = """
[table]
row = "visit"
sheet = "20*"
[plant]
key = "no"
[visit]
when = { column = "@sheet", date = "yyyy" }
height_cm = "ht"
"""
    mapping = parse_mapping(text)
    sheets = [table("no,ht\n1,5", sheet="2001"), table("no,ht\n1,6", sheet="2002"), table("x\ny", sheet="notes")]
    rows = rows_of(sheets, mapping)
    assert rows.table_rows == 2
    assert rows.frame["@sheet"].to_list() == ["2001", "2002"]
    with pytest.raises(WrongUse, match="No table fits"):
        rows_of(sheets[2:], mapping)


def test_a_missing_column_is_wrong_use_with_near_names() -> None:
    """The mapping names a column that the table does not have."""
    with pytest.raises(WrongUse, match=r"no column 'ht 1998'.*Did you mean ht1998"):
        bring("plot,no,sp,ht1998,first,ht 1999,second\nA,1,x,10,,,", WIDE)


def test_a_table_of_something_else_is_not_swallowed_whole() -> None:
    """Thousands of columns that the mapping does not name are refused unless it says to leave them out."""
    text = ",".join(["no", *(f"c{n}" for n in range(2001))]) + "\n" + ",".join(["1"] * 2002)
    mapping = '[table]\nrow = "plant"\n{rest}[plant]\nkey = "no"'
    with pytest.raises(WrongUse, match="2,001 columns"):
        bring(text, mapping.format(rest=""))
    assert bring(text, mapping.format(rest='rest = "leave out"\n')).batch.tables["plant"].height == 1


def test_a_key_that_stands_everywhere_is_one_finding() -> None:
    """A wrong key column gives one finding with the first places, not one place for each row."""
    text = "no,sp\n" + "\n".join(f"1,s{n}" for n in range(300))
    brought = bring(text, '[table]\nrow = "plant"\n[plant]\nkey = "no"\nspecies = "sp"')
    (finding,) = brought.findings
    assert finding.values == ("1", "300")
    assert len(finding.where) == 20
    assert brought.batch.tables["plant"].height == 300
