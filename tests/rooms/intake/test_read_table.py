import shutil
import zipfile
from pathlib import Path

import pytest
import xlsxwriter

from domatia.intake.read_table import read_table, sheets
from domatia.model import CannotOpen, WrongUse


def workbook(path: Path) -> Path:
    """Write a small workbook."""
    book = xlsxwriter.Workbook(str(path))
    one = book.add_worksheet("one")
    one.write_row(0, 0, ["a", "b"])
    one.write_row(1, 0, [1, "x"])
    book.add_worksheet("two").write_row(0, 0, ["c"])
    book.close()
    return path


def said(text: str) -> str:
    """Give a cell of text in OpenDocument."""
    return f'<table:table-cell office:value-type="string"><text:p>{text}</text:p></table:table-cell>'


def number(value: float, formula: str = "") -> str:
    """Give a cell with a number, and perhaps the formula that it comes from, in OpenDocument."""
    made = f' table:formula="{formula}"' if formula else ""
    head = f'<table:table-cell office:value-type="float" office:value="{value}"{made}>'
    return f"{head}<text:p>x</text:p></table:table-cell>"


def open_document(path: Path, rows: str) -> None:
    """Write the smallest OpenDocument spreadsheet (OASIS OpenDocument 1.2) with the rows given."""
    space = "urn:oasis:names:tc:opendocument:xmlns"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("META-INF/manifest.xml", f'<manifest:manifest xmlns:manifest="{space}:manifest:1.0"/>')
        archive.writestr(
            "content.xml",
            f'<office:document-content xmlns:office="{space}:office:1.0" xmlns:table="{space}:table:1.0" '
            f'xmlns:text="{space}:text:1.0"><office:body><office:spreadsheet><table:table table:name="census">'
            f"{rows}</table:table></office:spreadsheet></office:body></office:document-content>",
        )


def test_the_content_and_not_the_name_tells_the_kind_of_file(tmp_path: Path) -> None:
    """A workbook named .csv and a text named .xlsx are both read."""
    shutil.copy(workbook(tmp_path / "w.xlsx"), tmp_path / "w.csv")
    (tmp_path / "t.xlsx").write_text("a;b\n1;x\n")
    assert read_table(tmp_path / "w.csv").rows.rows() == [("1", "x")]
    assert read_table(str(tmp_path / "t.xlsx")).rows.rows() == [("1", "x")]


def test_sheets_are_named_in_their_order(tmp_path: Path) -> None:
    """A workbook gives its sheets, a text file one without a name."""
    (tmp_path / "t.csv").write_text("a\n1\n")
    assert sheets(workbook(tmp_path / "w.xlsx")) == ("one", "two")
    assert sheets(tmp_path / "t.csv") == ("",)
    assert read_table(tmp_path / "w.xlsx", sheet="two").header == ("c",)


def test_an_open_document_sheet_is_read_at_its_true_rows(tmp_path: Path) -> None:
    """Repeated empty rows and columns count; a formula is told."""
    sheet = (
        f"<table:table-row>{said('tag')}{said('ht')}</table:table-row>"
        '<table:table-row table:number-rows-repeated="3">'
        '<table:table-cell table:number-columns-repeated="1000"/></table:table-row>'
        f"<table:table-row>{number(7)}{number(12.5, 'of:=5*2.5')}</table:table-row>"
        '<table:table-row table:number-rows-repeated="1000000"><table:table-cell/></table:table-row>'
    )
    open_document(tmp_path / "c.ods", sheet)
    t = read_table(tmp_path / "c.ods")
    assert t.rows.rows() == [("7", "12.5")]
    assert t.row_numbers.to_list() == [5]
    assert [(f.code, f.where[0].row, f.values) for f in t.findings] == [("formula", 5, ("5*2.5",))]


def test_options_of_the_other_kind_are_wrong_use(tmp_path: Path) -> None:
    """A sheet of a text file and a delimiter of a workbook do not exist."""
    (tmp_path / "t.csv").write_text("a\n1\n")
    with pytest.raises(WrongUse, match="has no sheets"):
        read_table(tmp_path / "t.csv", sheet="one")
    with pytest.raises(WrongUse, match="no encoding or delimiter"):
        read_table(workbook(tmp_path / "w.xlsx"), delimiter=";")


def test_a_delimiter_can_be_named_in_words(tmp_path: Path) -> None:
    """The word tab stands for the character."""
    (tmp_path / "t.csv").write_text("a,b\tc\n1,2\t3\n")
    assert read_table(tmp_path / "t.csv", delimiter="tab").header == ("a,b", "c")


def test_a_missing_file_and_a_folder_are_named(tmp_path: Path) -> None:
    """What is not there, or is no file, is told by its name."""
    with pytest.raises(CannotOpen, match=r"no\.csv: there is no such file"):
        read_table(tmp_path / "no.csv")
    with pytest.raises(CannotOpen, match="this is a folder"):
        read_table(tmp_path)


def test_the_hash_is_that_of_the_file(tmp_path: Path) -> None:
    """The SHA-256 of the text "abc" is the worked example of FIPS 180-4 (from memory)."""
    (tmp_path / "t.csv").write_text("abc")
    t = read_table(tmp_path / "t.csv")
    assert t.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert t.size_bytes == 3
