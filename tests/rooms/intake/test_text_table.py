import polars as pl

from domatia.intake.text_table import Gathering, blank_rows, judge_header, unique_header, used_columns


def test_a_header_that_stands_twice_gets_its_position_everywhere() -> None:
    """Neither of two equal headers keeps the bare name, so that a mapping cannot mean the wrong one."""
    assert unique_header(["row", "tag", " row ", ""]) == ("row@1", "tag", "row@3", "column@4")


def test_a_made_name_never_equals_a_written_one() -> None:
    """A header that already looks like a made name is kept apart from it."""
    names = unique_header(["a", "a", "a@1", "a@2"])
    assert len(set(names)) == 4
    assert names[2:] == ("a@1", "a@2")


def test_line_breaks_in_a_header_become_one_blank() -> None:
    """A header typed over two lines can be named in a mapping."""
    assert unique_header(["height\n  (cm)"]) == ("height (cm)",)


def test_findings_beyond_the_limit_are_counted() -> None:
    """A code that turns up too often ends with one finding that counts the rest."""
    gathering = Gathering("a.csv", most=3)
    for row in range(10):
        gathering.add("row_short", "warning", row, "Short.", "whole.", "Look.")
    found = gathering.all()
    assert [f.code for f in found] == ["row_short"] * 4
    assert found[-1].found.startswith("7 more findings")


def test_blank_rows_hold_blanks_nulls_or_nothing() -> None:
    """A row of blanks and missing cells is blank; a row with NA is not."""
    rows = pl.DataFrame({"a": ["", " ", "NA", None], "b": [None, "\t", "", None]})
    assert blank_rows(rows).to_list() == [True, True, False, True]


def test_a_column_without_header_and_values_is_left_out_and_others_keep_their_names() -> None:
    """An idle column goes, an unnamed one with values stays under the name of its position."""
    rows = pl.DataFrame({"column@1": ["", " "], "column@2": ["", "x"], "tag": ["", ""]})
    kept, written = used_columns(rows, ["", " ", "tag"])
    assert kept.columns == ["column@2", "tag"]
    assert written == (" ", "tag")


def test_a_title_above_the_header_is_noticed() -> None:
    """A first row that names few columns above a row of words is called a title, with the remedy."""
    gathering = Gathering("a.csv")
    body = pl.DataFrame([["plot"], ["tag"], ["height"], ["status"]], schema=["a", "b", "c", "d"])
    judge_header(gathering, 1, ["Census 2006", "", "", ""], body)
    assert any("skip_rows = 1" in f.remedy for f in gathering.all())


def test_a_header_of_numbers_is_an_error() -> None:
    """A table that begins with values has no header."""
    gathering = Gathering("a.csv")
    judge_header(gathering, 1, ["12", "3,5", "NA"], pl.DataFrame({"a": ["1"], "b": ["2"], "c": ["3"]}))
    assert [f.code for f in gathering.all()] == ["header_is_values"]
