from datetime import datetime
from pathlib import Path

import pytest
import xlsxwriter

from domatia.intake.read_workbook import read_workbook, sheets_of
from domatia.model import CannotOpen, WrongUse


@pytest.fixture
def messy(tmp_path: Path) -> Path:
    """Give a workbook with a table that begins at B3 and much that is odd."""
    path = tmp_path / "census.xlsx"
    book = xlsxwriter.Workbook(str(path))
    days = book.add_format({"num_format": "dd/mm/yyyy"})
    moments = book.add_format({"num_format": "dd/mm/yyyy hh:mm"})
    sheet = book.add_worksheet("plots & plants")
    sheet.write_row(2, 1, ["tag", "height_cm", "when"])
    sheet.write_row(3, 1, [14, 12.5])
    sheet.write_datetime(3, 3, datetime(2026, 9, 12), days)
    sheet.write_row(4, 1, ["0015", "1O", "01/09/26"])
    sheet.write_row(6, 1, [16])
    sheet.write_formula(6, 2, "=6*7", None, 42)
    sheet.write_datetime(6, 3, datetime(2026, 9, 12, 14, 30), moments)
    sheet.write_formula(7, 1, "=1/0", None, "#DIV/0!")
    sheet.write_boolean(7, 2, True)
    sheet.set_row(4, None, None, {"hidden": True})
    book.add_worksheet("old").hide()
    book.close()
    return path


def test_rows_and_columns_are_the_sheets_own(messy: Path) -> None:
    """The table's place in the sheet does not shift its row numbers, and a blank row counts."""
    t = read_workbook(messy)
    assert t.sheet == "plots & plants"
    assert t.header == ("tag", "height_cm", "when")
    assert (t.header_row, t.row_numbers.to_list()) == (3, [4, 5, 7, 8])


def test_cells_become_text_without_loss(messy: Path) -> None:
    """Whole numbers have no decimal part, typed text stays, dates are ISO 8601 and marked."""
    t = read_workbook(messy)
    assert t.rows["tag"].to_list() == ["14", "0015", "16", "#DIV/0!"]
    assert t.rows["height_cm"].to_list() == ["12.5", "1O", "42", "TRUE"]
    assert t.rows["when"].to_list() == ["2026-09-12", "01/09/26", "2026-09-12T14:30:00", ""]
    assert {c: m.to_list() for c, m in t.real_dates.items()} == {"when": [True, False, True, False]}


def test_formulas_and_errors_are_named_by_cell(messy: Path) -> None:
    """Every formula and every error cell is a finding with its row and its text."""
    found = {
        (f.code, f.where[0].row, f.where[0].column, f.values[0]) for f in read_workbook(messy).findings if f.values
    }
    assert ("error_cell", 8, "tag", "#DIV/0!") in found
    assert ("formula", 7, "height_cm", "6*7") in found
    assert ("formula", 8, "tag", "1/0") in found


def test_hidden_rows_and_other_sheets_are_told(messy: Path) -> None:
    """Hidden rows are read and noted; sheets that were not read are named."""
    found = {f.code: f.found for f in read_workbook(messy).findings}
    assert found["hidden_cells"].startswith("1 rows")
    assert "old (hidden)" in found["several_sheets"]


def test_a_hidden_sheet_can_be_asked_for_by_name(messy: Path) -> None:
    """An empty sheet is refused by its name; an unknown one with the names there are."""
    assert sheets_of(messy) == ("plots & plants", "old")
    with pytest.raises(CannotOpen, match="the sheet 'old' holds nothing"):
        read_workbook(messy, sheet="old")
    with pytest.raises(WrongUse, match=r"no sheet 'olt'.*Did you mean old"):
        read_workbook(messy, sheet="olt")


def test_merged_cells_are_named(tmp_path: Path) -> None:
    """A value that stands for several cells is read once and told."""
    path = tmp_path / "m.xlsx"
    book = xlsxwriter.Workbook(str(path))
    sheet = book.add_worksheet()
    sheet.write_row(0, 0, ["plot", "tag"])
    sheet.merge_range(1, 0, 2, 0, "A")
    sheet.write(1, 1, 1)
    sheet.write(2, 1, 2)
    book.close()
    t = read_workbook(path)
    assert t.rows.rows() == [("A", "1"), ("", "2")]
    assert [(f.code, f.where[0].row) for f in t.findings] == [("merged_cells", 2)]


def test_rows_above_the_header_are_skipped_by_number(tmp_path: Path) -> None:
    """With skip_rows a title and a date line above the header are passed over."""
    path = tmp_path / "t.xlsx"
    book = xlsxwriter.Workbook(str(path))
    sheet = book.add_worksheet()
    sheet.write(0, 0, "Census of the Mill plots")
    sheet.write_row(2, 0, ["plot", "tag", "n"])
    sheet.write_row(3, 0, ["A", "1", 3])
    book.close()
    assert "title_above_header" in [f.code for f in read_workbook(path).findings]
    t = read_workbook(path, skip_rows=1)
    assert (t.header, t.header_row, t.row_numbers.to_list()) == (("plot", "tag", "n"), 3, [4])


def test_a_number_keeps_the_digits_it_was_typed_with(tmp_path: Path) -> None:
    """The text of a number is the shortest that gives the same number back."""
    path = tmp_path / "n.xlsx"
    values = [4.1, 0.3, 1e-7, 123456789.25, -2.0, 1e15, 0.1 + 0.2]
    book = xlsxwriter.Workbook(str(path))
    sheet = book.add_worksheet()
    sheet.write_row(0, 0, ["x", "y"])
    for at, value in enumerate(values, start=1):
        sheet.write(at, 0, value)
        sheet.write(at, 1, "t")
    book.close()
    text = read_workbook(path).rows["x"].to_list()
    assert text[:5] == ["4.1", "0.3", "1e-07", "123456789.25", "-2"]
    assert [float(t) for t in text[:6]] == values[:6]


def test_a_damaged_workbook_says_what_to_do(messy: Path) -> None:
    """A workbook cut in the middle is refused with its name and a remedy."""
    messy.write_bytes(messy.read_bytes()[:3000])
    with pytest.raises(CannotOpen, match=r"census\.xlsx: the workbook is damaged .* save it again"):
        read_workbook(messy)
