import zipfile
from pathlib import Path

import pytest
import xlsxwriter

from domatia.intake.guard import Limits, check_shape, check_size, open_archive, read_part, sha256_of, stream_part
from domatia.intake.read_table import read_table
from domatia.model import CannotOpen


def archive(path: Path, **parts: bytes) -> Path:
    """Write a packed archive with the parts given."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as z:
        for name, content in parts.items():
            z.writestr(name, content)
    return path


def test_sizes_and_shapes_beyond_the_limits_are_refused_with_their_numbers(tmp_path: Path) -> None:
    """The message names the file, what it has, and what is allowed."""
    path = tmp_path / "big.csv"
    path.write_bytes(b"a" * 100)
    assert check_size(path, 100) == 100
    with pytest.raises(CannotOpen, match=r"big\.csv: the file has 100 bytes; at most 99"):
        check_size(path, 99)
    limits = Limits(columns=10, rows=20, cells=150)
    check_shape(path, 15, 10, limits)
    with pytest.raises(CannotOpen, match="row 3 has 11 columns; at most 10"):
        check_shape(path, 1, 11, limits, row=3)
    with pytest.raises(CannotOpen, match="21 rows; at most 20"):
        check_shape(path, 21, 1, limits)
    with pytest.raises(CannotOpen, match="spans 16 rows and 10 columns, which is more than 150 cells"):
        check_shape(path, 16, 10, limits)


def test_a_part_that_swells_too_much_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    """The stated size, and its ratio to the packed size, are looked at first."""
    path = archive(tmp_path / "w.xlsx", a=b"0" * 1_000_000)
    with pytest.raises(CannotOpen, match=r"w\.xlsx: the part 'a' would swell"):
        open_archive(path, Limits(ratio=50, ratio_from_bytes=1000))
    with pytest.raises(CannotOpen, match="unpacked the workbook would have 1,000,000 bytes"):
        open_archive(path, Limits(unpacked_bytes=999_999))


def test_a_part_longer_than_it_says_is_stopped_while_unpacking(tmp_path: Path) -> None:
    """A false size in the archive's list does not let more through."""
    path = archive(tmp_path / "w.xlsx", a=b"<a>" + b" " * 5000 + b"</a>")
    raw = bytearray(path.read_bytes())
    at = raw.index(b"PK\x01\x02") + 24
    raw[at : at + 4] = (100).to_bytes(4, "little")
    path.write_bytes(bytes(raw))
    with pytest.raises(CannotOpen, match=r"w\.xlsx: the part 'a'"):
        list(stream_part(path, open_archive(path), "a"))


def test_entities_and_unsound_xml_are_refused(tmp_path: Path) -> None:
    """A document type, or XML that does not close, stops the reading."""
    path = archive(tmp_path / "w.xlsx", a=b"<!DOCTYPE x []><x/>", b=b"<x><y></x>", c=b"<x/>")
    z = open_archive(path)
    with pytest.raises(CannotOpen, match="declares a document type"):
        read_part(path, z, "a")
    with pytest.raises(CannotOpen, match="no sound XML"):
        read_part(path, z, "b")
    with pytest.raises(CannotOpen, match="lacks its part 'd'"):
        read_part(path, z, "d")
    assert read_part(path, z, "c") == b"<x/>"


def test_parts_outside_the_file_are_refused(tmp_path: Path) -> None:
    """An offset or a size that points behind the end is damage."""
    path = archive(tmp_path / "w.xlsx", a=b"<x/>")
    raw = bytearray(path.read_bytes())
    at = raw.index(b"PK\x01\x02") + 20
    raw[at : at + 4] = b"\xfe\xff\xff\x7f"
    path.write_bytes(bytes(raw))
    with pytest.raises(CannotOpen, match="damaged"):
        open_archive(path)


def test_a_cell_longer_than_any_note_is_cut_and_told(tmp_path: Path) -> None:
    """Half a million digits in one cell are an error of its row and column."""
    path = tmp_path / "a.csv"
    path.write_text("a,b\n1,2\n3," + "9" * 500_000 + "\n")
    t = read_table(path)
    assert [(f.code, f.where[0].row, f.where[0].column) for f in t.findings] == [("cell_too_long", 3, "b")]
    assert t.rows["b"].str.len_chars().to_list() == [1, 1000]


def test_the_hash_of_a_file_is_that_of_its_bytes(tmp_path: Path) -> None:
    """The SHA-256 of no bytes at all, as it is printed in every table of test vectors (from memory)."""
    (tmp_path / "e").write_bytes(b"")
    assert sha256_of(tmp_path / "e") == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"


def test_a_sheet_with_too_many_filled_rows_is_refused_by_name_before_it_is_built(tmp_path: Path) -> None:
    """The message gives file, sheet and rows, and the way out; empty and stray rows far below do not count."""
    path = tmp_path / "census.xlsx"
    book = xlsxwriter.Workbook(str(path))
    sheet = book.add_worksheet("2024")
    sheet.write_row(0, 0, ["no", "ht"])
    for n in range(1, 31):
        sheet.write_row(n, 0, [n, "tall" if n % 2 else 5])
    for n in range(40, 90):
        sheet.set_row(n, 20)
    sheet.write_row(100, 0, [31, 5])
    book.close()
    assert read_table(path, limits=Limits(workbook_rows=31)).rows.height == 31
    with pytest.raises(
        CannotOpen,
        match=r"census\.xlsx: 31 rows of the sheet '2024' are filled; at most 30 .* Save the sheet as CSV, split",
    ):
        read_table(path, limits=Limits(workbook_rows=30))


def test_text_files_may_have_more_rows_than_sheets(tmp_path: Path) -> None:
    """The limit of workbooks is none of text files."""
    path = tmp_path / "census.csv"
    path.write_text("no\n" + "\n".join(str(n) for n in range(50)), encoding="utf-8")
    assert read_table(path, limits=Limits(workbook_rows=30)).rows.height == 50
