from pathlib import Path

import pytest

from domatia.intake.guard import LIMITS, Limits
from domatia.intake.read_csv import read_csv
from domatia.intake.text_table import TextTable
from domatia.model import CannotOpen, WrongUse


def table(
    folder: Path, content: bytes | str, *, delimiter: str = "", skip_rows: int = 0, limits: Limits = LIMITS
) -> TextTable:
    """Write a file and read it."""
    path = folder / "a.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_csv(path, delimiter=delimiter, skip_rows=skip_rows, limits=limits)


def codes(found: TextTable) -> list[str]:
    """Give the codes of the findings."""
    return [f.code for f in found.findings]


def test_cells_stay_as_typed(tmp_path: Path) -> None:
    """Nothing is converted: blanks, NA, decimal commas and leading noughts survive."""
    t = table(tmp_path, 'tag,ht\n0014,"12,5"\n 7 ,NA\n1O,\n')
    assert t.rows.to_dict(as_series=False) == {"tag": ["0014", " 7 ", "1O"], "ht": ["12,5", "NA", ""]}
    assert t.row_numbers.to_list() == [2, 3, 4]
    assert codes(t) == []


def test_an_empty_cell_differs_from_one_that_the_line_does_not_reach(tmp_path: Path) -> None:
    """An empty cell is empty text; where the line ended early there is null, and a finding with the row."""
    t = table(tmp_path, "a,b,c\n1,,\n2\n3,4,5\n")
    assert t.rows.rows() == [("1", "", ""), ("2", None, None), ("3", "4", "5")]
    assert [(f.code, f.where[0].row) for f in t.findings] == [("row_short", 3)]


def test_line_numbers_are_the_files_own_with_cells_over_several_lines(tmp_path: Path) -> None:
    """Lines inside quotes and blank lines count, so that a text editor finds the row."""
    t = table(tmp_path, 'a,b\n"x\ny",1\n\nz,2\n"p ""q""",3\n')
    assert t.rows["a"].to_list() == ["x\ny", "z", 'p "q"']
    assert t.row_numbers.to_list() == [2, 5, 6]


def test_a_row_with_too_many_cells_keeps_them_and_is_told(tmp_path: Path) -> None:
    """What stands beyond the header is not lost and is an error of its row."""
    t = table(tmp_path, "a,b\n1,2\n3,4,5\n6,7,\n")
    assert t.header == ("a", "b", "beyond@3")
    assert t.rows["beyond@3"].to_list() == [None, "5", ""]
    assert [(f.code, f.severity, f.where[0].row) for f in t.findings] == [
        ("row_long", "error", 3),
        ("row_long_blank", "note", 4),
    ]


def test_row_names_without_a_header_are_recognised(tmp_path: Path) -> None:
    """Where every row has one cell more than the header, one finding says so."""
    t = table(tmp_path, "a,b\n1,x,y\n2,z,w\n")
    assert codes(t) == ["header_short"]


def test_a_file_cut_off_in_its_last_row_is_told(tmp_path: Path) -> None:
    """A last row that is short and has no line end is an error."""
    t = table(tmp_path, "a,b,c\n1,2,3\n4,5")
    assert [(f.code, f.where[0].row) for f in t.findings] == [("file_cut_off", 3), ("no_last_line_end", 3)]


def test_no_line_end_at_the_end_is_only_noted(tmp_path: Path) -> None:
    """A whole last row without a line end may be whole."""
    t = table(tmp_path, "a,b\n1,2")
    assert t.rows.rows() == [("1", "2")]
    assert [(f.code, f.severity) for f in t.findings] == [("no_last_line_end", "note")]


@pytest.mark.parametrize(("delimiter", "name"), [(",", "comma"), (";", "semicolon"), ("\t", "tab"), ("|", "pipe")])
def test_the_delimiter_is_found_and_the_reason_given(tmp_path: Path, delimiter: str, name: str) -> None:
    """The delimiter that cuts the lines most regularly is taken, and a note says why."""
    t = table(tmp_path, f"a{delimiter}b{delimiter}c\n1{delimiter}2 x{delimiter}3\n")
    assert t.delimiter == delimiter
    assert t.header == ("a", "b", "c")
    assert any(name in note for note in t.notes)


def test_decimal_commas_do_not_make_the_comma_a_delimiter(tmp_path: Path) -> None:
    """Semicolons with decimal commas in every row are read as semicolons."""
    t = table(tmp_path, "tag;ht;dbh\n1;2,5;3,5\n2;4,5;1,5\n")
    assert t.delimiter == ";"
    assert t.rows["ht"].to_list() == ["2,5", "4,5"]


def test_two_equally_regular_delimiters_are_a_finding(tmp_path: Path) -> None:
    """Where another delimiter fits as well, the guess is a warning that names both."""
    t = table(tmp_path, "a,b;c\n1,2;3\n4,5;6\n")
    assert codes(t) == ["delimiter_guessed"]


def test_a_first_line_that_names_the_delimiter_is_obeyed(tmp_path: Path) -> None:
    """The line `sep=;` is no row, but it counts as a line."""
    t = table(tmp_path, "sep=;\na;b\n1;2\n")
    assert (t.delimiter, t.header, t.row_numbers.to_list()) == (";", ("a", "b"), [3])


def test_lines_above_the_header_are_skipped_and_counted(tmp_path: Path) -> None:
    """With skip_rows the header is the first line after them, and rows keep the file's numbers."""
    t = table(tmp_path, "Census,,\nby A. B.,,\na,b,c\n1,2,3\n", skip_rows=2)
    assert t.header == ("a", "b", "c")
    assert (t.header_row, t.row_numbers.to_list()) == (3, [4])


def test_a_stray_quote_does_not_swallow_rows(tmp_path: Path) -> None:
    """A quote that no quote closes at a cell's end is read as it stands, with the row."""
    t = table(tmp_path, 'a,b\n"tall,1\n5" high,2\n"x, y",3\n')
    assert t.rows.rows() == [('"tall', "1"), ('5" high', "2"), ("x, y", "3")]
    assert [(f.code, f.where[0].row) for f in t.findings] == [("quote_not_closed", 2), ("quote_in_cell", 3)]


def test_a_cell_over_many_lines_is_doubted(tmp_path: Path) -> None:
    """Thirty lines in one cell may be rows that a missing quote swallowed."""
    t = table(tmp_path, 'a,b\n"' + "1,2\n" * 30 + '",3\n4,5\n')
    assert t.rows.height == 2
    assert [(f.code, f.where[0].row) for f in t.findings] == [("long_cell", 2)]


def test_rows_of_delimiters_only_are_left_out(tmp_path: Path) -> None:
    """A row without any value is no row, and one finding counts them."""
    t = table(tmp_path, "a,b\n1,2\n,\n , \n3,4\n")
    assert t.row_numbers.to_list() == [2, 5]
    assert [(f.code, f.where[0].row) for f in t.findings] == [("blank_rows", 3)]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_kind_of_line_end_is_read(tmp_path: Path, end: str) -> None:
    """Line feed, carriage return and both give the same rows and numbers."""
    t = table(tmp_path, end.join(["a,b", "1,2", "3,4", ""]))
    assert t.rows.rows() == [("1", "2"), ("3", "4")]
    assert t.row_numbers.to_list() == [2, 3]
    assert codes(t) == []


def test_mixed_line_ends_are_noted(tmp_path: Path) -> None:
    """Two kinds of line end in one file hint at a pasted part."""
    t = table(tmp_path, "a,b\r\n1,2\n3,4\r\n")
    assert t.rows.height == 2
    assert codes(t) == ["mixed_line_ends"]


def test_too_many_columns_are_refused_with_file_and_row(tmp_path: Path) -> None:
    """A row beyond the limit of columns names file, row and count."""
    with pytest.raises(CannotOpen, match=r"a\.csv: row 2 has 9 columns; at most 5"):
        table(tmp_path, "a,b\n" + "1," * 8 + "1\n", limits=Limits(columns=5))


def test_a_file_with_a_header_only_is_a_table_without_rows(tmp_path: Path) -> None:
    """No rows are no error of the file."""
    t = table(tmp_path, "a,b\n")
    assert (t.header, t.rows.height, t.row_numbers.len()) == (("a", "b"), 0, 0)


def test_an_empty_file_cannot_be_opened(tmp_path: Path) -> None:
    """An empty file, or one of blank lines, is refused with its name."""
    with pytest.raises(CannotOpen, match=r"a\.csv: the file is empty"):
        table(tmp_path, "")
    with pytest.raises(CannotOpen, match=r"a\.csv: there is nothing"):
        table(tmp_path, "\n\n \n")


def test_a_delimiter_of_two_characters_is_wrong_use(tmp_path: Path) -> None:
    """Only one character can be a delimiter."""
    with pytest.raises(WrongUse, match="not one character"):
        table(tmp_path, "a,b\n", delimiter="::")
