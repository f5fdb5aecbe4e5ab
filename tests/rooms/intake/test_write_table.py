from pathlib import Path

import polars as pl
import pytest

from domatia.intake.read_table import read_table
from domatia.intake.write_table import write_table, write_workbook
from domatia.model import WrongUse

ROWS = pl.DataFrame(
    {"plot": ["Mill", "Ford, upper", ""], "when": ["2026-09-12", "12/9/26", ""], "ht": ["12.5", "1O", '5"\nx']},
)


@pytest.mark.parametrize("name", ["t.csv", "t.tsv", "t.txt", "t.xlsx"])
def test_a_written_table_reads_back(tmp_path: Path, name: str) -> None:
    """Commas, quotes and line breaks in cells survive in every format."""
    write_table(tmp_path / name, ROWS)
    t = read_table(tmp_path / name)
    assert t.header == ("plot", "when", "ht")
    assert t.rows.rows() == ROWS.rows()


def test_nulls_at_the_end_of_a_row_end_the_line(tmp_path: Path) -> None:
    """What was null because the line ended early is written so again."""
    rows = pl.DataFrame({"a": ["1", "2"], "b": [None, ""], "c": [None, "x"]})
    write_table(tmp_path / "t.csv", rows)
    assert (tmp_path / "t.csv").read_text() == "a,b,c\n1\n2,,x\n"
    assert read_table(tmp_path / "t.csv").rows.rows() == rows.rows()


def test_doubled_headers_can_be_written(tmp_path: Path) -> None:
    """A crew's messy header is written as given."""
    write_table(tmp_path / "t.csv", pl.DataFrame({"a@1": ["1"], "a@2": ["2"]}), header=("a", "a"), delimiter=";")
    assert (tmp_path / "t.csv").read_text() == "a;a\n1;2\n"


def test_numbers_and_dates_of_a_workbook_are_real_ones(tmp_path: Path) -> None:
    """In the columns named so, what is a number or a day is written as one, and the rest stays text."""
    write_workbook(tmp_path / "t.xlsx", {"census": ROWS}, numbers=("ht",), dates=("when",))
    t = read_table(tmp_path / "t.xlsx")
    assert t.sheet == "census"
    assert t.rows.rows() == ROWS.rows()
    assert t.real_dates["when"].to_list() == [True, False, False]


def test_a_text_that_begins_like_a_formula_stays_text(tmp_path: Path) -> None:
    """An equals sign in a note does not become a formula."""
    write_table(tmp_path / "t.xlsx", pl.DataFrame({"note": ["=1+1", "+5"]}))
    t = read_table(tmp_path / "t.xlsx")
    assert t.rows["note"].to_list() == ["=1+1", "+5"]
    assert t.findings == ()


def test_what_cannot_be_written_is_wrong_use(tmp_path: Path) -> None:
    """An unknown ending, a letter outside the encoding and a cell too long are told."""
    with pytest.raises(WrongUse, match=r"t\.doc.*Allowed: \.csv"):
        write_table(tmp_path / "t.doc", ROWS)
    with pytest.raises(WrongUse, match="cannot be written in latin-1"):
        write_table(tmp_path / "t.csv", pl.DataFrame({"a": ["\u2265 5"]}), encoding="latin-1")
    with pytest.raises(WrongUse, match="Row 2 of Sheet1 holds a cell of 40,000 characters"):
        write_table(tmp_path / "t.xlsx", pl.DataFrame({"a": ["x" * 40_000]}))
    with pytest.raises(WrongUse, match="1 headers for 3 columns"):
        write_table(tmp_path / "t.csv", ROWS, header=("a",))
