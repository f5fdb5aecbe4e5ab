import time
from pathlib import Path

import polars as pl
import pytest

from domatia.intake.double_entry import compare_entries, open_questions, read_decisions, settle_entries
from domatia.intake.read_table import read_table
from domatia.intake.text_table import TextTable
from domatia.intake.write_table import write_table
from domatia.model import WrongUse

FIRST = "sheet,line,tag,ht,note\n1,1,14,73,\n1,2,15,80,ok\n1,3,16,91,\n2,1,17,12,x\n"
SECOND = "sheet,line,tag,ht,note\n2,1,17,12,x\n1,2,15,88,ok \n1,1,14,73,\n1,3,19,91,\n"
KEYS = ("sheet", "line", "tag")


def entry(folder: Path, name: str, text: str) -> TextTable:
    """Write a table and read it."""
    (folder / name).write_text(text)
    return read_table(folder / name)


def test_differences_are_listed_cell_by_cell_whatever_the_order(tmp_path: Path) -> None:
    """Rows are matched by their key; blanks at a cell's end do not count; both rows are named."""
    c = compare_entries(entry(tmp_path, "a.csv", FIRST), entry(tmp_path, "b.csv", SECOND), KEYS)
    assert c.cells.rows() == [("1", "2", "15", "ht", "80", "88", 3, 3)]
    assert c.single.rows() == [("1", "3", "16", "first", 4), ("1", "3", "19", "second", 5)]
    assert [f.code for f in c.findings] == ["entries_differ", "entered_once", "entered_once"]
    assert [str(w) for w in c.findings[0].where] == [
        "sheet 1, line 2, tag 15; a.csv row 3 column ht",
        "b.csv row 3 column ht",
    ]
    assert not c.agree


def test_an_entry_agrees_with_itself_in_any_order(tmp_path: Path) -> None:
    """Sorting the rows makes no difference."""
    a = entry(tmp_path, "a.csv", FIRST)
    lines = FIRST.splitlines()
    b = entry(tmp_path, "b.csv", "\n".join([lines[0], *reversed(lines[1:])]) + "\n")
    assert compare_entries(a, b, KEYS).agree


def test_decisions_written_in_a_table_settle_the_entries(tmp_path: Path) -> None:
    """The table of open questions, filled in and read again, gives the one table."""
    c = compare_entries(entry(tmp_path, "a.csv", FIRST), entry(tmp_path, "b.csv", SECOND), KEYS)
    questions = open_questions(c).with_columns(pl.Series("decided", ["88", "keep", "leave out"]))
    write_table(tmp_path / "q.csv", questions)
    t = settle_entries(c, read_decisions(read_table(tmp_path / "q.csv"), KEYS), "settled.csv")
    assert t.rows["ht"].to_list() == ["73", "88", "91", "12"]
    assert t.rows["tag"].to_list() == ["14", "15", "16", "17"]
    assert t.row_numbers.to_list() == [2, 3, 4, 5]
    write_table(tmp_path / "settled.csv", t.rows, header=t.written_header)
    assert read_table(tmp_path / "settled.csv").rows.equals(t.rows)


def test_undecided_differences_stop_the_settling(tmp_path: Path) -> None:
    """Nothing is taken from either entry without a decision, and strange decisions are told too."""
    c = compare_entries(entry(tmp_path, "a.csv", FIRST), entry(tmp_path, "b.csv", SECOND), KEYS)
    with pytest.raises(WrongUse, match="3 undecided: 1, 2, 15 column ht; 1, 3, 16; 1, 3, 19"):
        settle_entries(c, {}, "s.csv")
    with pytest.raises(WrongUse, match="1 about no difference: 9, 9, 9 column ht"):
        settle_entries(c, {(("9", "9", "9"), "ht"): "1"}, "s.csv")
    with pytest.raises(WrongUse, match="1 neither keep nor leave out"):
        settle_entries(c, {(("1", "3", "16"), ""): "yes"}, "s.csv")


def test_a_key_that_names_two_rows_is_wrong_use(tmp_path: Path) -> None:
    """Rows that cannot be told apart are named with their numbers."""
    a = entry(tmp_path, "a.csv", FIRST)
    with pytest.raises(
        WrongUse, match=r"3 rows share their key with another, the first being sheet '1' in the rows 2, 3"
    ):
        compare_entries(a, a, ("sheet",))
    with pytest.raises(WrongUse, match=r"no key column 'tags'.*Did you mean tag"):
        compare_entries(a, a, ("tags",))


def test_a_column_of_one_entry_is_told_and_kept(tmp_path: Path) -> None:
    """The settled table has the columns of both."""
    a = entry(tmp_path, "a.csv", "tag,ht\n1,5\n2,6\n")
    b = entry(tmp_path, "b.csv", "tag,shoots\n2,9\n1,8\n")
    c = compare_entries(a, b, ("tag",))
    assert [f.code for f in c.findings] == ["entry_column_missing", "entry_column_missing"]
    assert settle_entries(c, {}, "s.csv").rows.rows() == [("1", "5", "8"), ("2", "6", "9")]


@pytest.mark.slow
def test_two_long_entries_are_compared_at_once(tmp_path: Path) -> None:
    """Two entries of 200,000 rows in different order are compared in about a second, and only the change is found."""
    n = 200_000
    rows = pl.DataFrame({"sheet": [str(i // 20) for i in range(n)], "line": [str(i % 20) for i in range(n)]})
    rows = rows.with_columns(*[(pl.int_range(n) * k % 997).cast(pl.String).alias(f"c{k}") for k in range(1, 8)])
    other = rows.with_columns(pl.when(pl.int_range(n) == 777).then(pl.lit("?")).otherwise("c3").alias("c3")).reverse()
    for name, frame in (("a.csv", rows), ("b.csv", other)):
        write_table(tmp_path / name, frame)
    a, b = read_table(tmp_path / "a.csv"), read_table(tmp_path / "b.csv")
    start = time.process_time()
    c = compare_entries(a, b, ("sheet", "line"))
    assert time.process_time() - start < 4.0
    assert c.cells.height == 1
    assert c.cells["first_row"].to_list() == [779]
