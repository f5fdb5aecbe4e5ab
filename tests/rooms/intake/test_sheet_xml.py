import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from domatia.intake.guard import Limits, open_archive
from domatia.intake.sheet_xml import SheetLook, column_letters, column_number, look_at_ods, look_at_sheet, part_of_sheet
from domatia.model import CannotOpen


def look(folder: Path, xml: str, limits: Limits | None = None) -> SheetLook:
    """Pack the XML of a sheet and look at it."""
    path = folder / "w.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr("s.xml", xml)
    return look_at_sheet(path, open_archive(path), "s.xml", limits or Limits())


@given(number=st.integers(1, 20_000))
def test_letters_and_numbers_of_columns_are_inverse(number: int) -> None:
    """The last column of a sheet is XFD, number 16,384 (ECMA-376, part 1)."""
    assert column_number(column_letters(number)) == number
    assert (column_letters(1), column_letters(27), column_letters(16_384)) == ("A", "AA", "XFD")


@pytest.mark.parametrize("prefix", ["", "x:"])
def test_formulas_errors_and_reach_are_seen_with_and_without_prefix(tmp_path: Path, prefix: str) -> None:
    """The namespace's prefix, the order of attributes and the kind of quotation mark do not matter."""
    p = prefix
    found = look(
        tmp_path,
        f'<{p}worksheet xmlns:x="u"><{p}sheetData><{p}row r="1"><{p}c r="A1"><{p}v>1</{p}v></{p}c></{p}row>'
        f"<{p}row hidden='1' r='7'><{p}c s='1' r='AB7' t='e'><{p}f>1/0</{p}f><{p}v>#DIV/0!</{p}v></{p}c>"
        f'<{p}c r="AC7"><{p}f t="shared" si="0"/></{p}c></{p}row></{p}sheetData></{p}worksheet>',
    )
    assert (found.rows, found.columns, found.hidden_rows) == (7, 29, 1)
    assert found.errors == {(7, 28): "#DIV/0!"}
    assert found.formulas == {(7, 28): "1/0", (7, 29): ""}
    assert found.unanswered == {(7, 29)}


def test_cells_that_do_not_say_where_they_are_count_too(tmp_path: Path) -> None:
    """Rows and cells without a reference are counted, so that they cannot pass the limits unseen."""
    rows = "<row>" + "<c><v>1</v></c>" * 40 + "</row>"
    found = look(tmp_path, f"<worksheet><sheetData>{rows * 30}</sheetData></worksheet>")
    assert found.rows == 30
    assert found.columns >= 40
    with pytest.raises(CannotOpen, match="more than 1,000 cells"):
        look(tmp_path, f"<worksheet><sheetData>{rows * 30}</sheetData></worksheet>", Limits(cells=1000))


def test_a_formula_across_two_pieces_is_seen_once(tmp_path: Path) -> None:
    """Cells are not cut where the unpacked sheet is read piece by piece."""
    cells = "".join(f'<row r="{r}"><c r="A{r}"><f>B{r}+1</f><v>{r}</v></c></row>' for r in range(1, 40_001))
    found = look(tmp_path, f"<worksheet><sheetData>{cells}</sheetData></worksheet>")
    assert len(found.formulas) == 40_000
    assert found.formulas[39_999, 1] == "B39999+1"


def test_a_repeated_cell_counts_as_many(tmp_path: Path) -> None:
    """One cell of an OpenDocument sheet that stands for millions is refused, empty ones are not."""
    path = tmp_path / "o.ods"
    filled = '<table:table-cell office:value="1" table:number-columns-repeated="900"/>'
    empty = '<table:table-cell table:number-columns-repeated="16000"/>'
    for cell, refused in ((filled, True), (empty, False)):
        with zipfile.ZipFile(path, "w") as z:
            z.writestr(
                "content.xml",
                '<d xmlns:table="t" xmlns:office="o"><table:table table:name="a">'
                f'<table:table-row table:number-rows-repeated="90000">{cell}</table:table-row></table:table></d>',
            )
        if refused:
            with pytest.raises(CannotOpen, match="spans 90,000 rows and 900 columns"):
                look_at_ods(path, open_archive(path), "a")
        else:
            assert look_at_ods(path, open_archive(path), "a").rows == 0


def test_a_sheet_is_found_by_its_name_through_the_relations(tmp_path: Path) -> None:
    """Names with signs that XML writes otherwise, and absolute targets, are understood."""
    path = tmp_path / "w.xlsx"
    with zipfile.ZipFile(path, "w") as z:
        z.writestr(
            "xl/workbook.xml", '<w xmlns:r="r"><sheets><sheet name="a &amp; b" sheetId="3" r:id="rId7"/></sheets></w>'
        )
        z.writestr("xl/_rels/workbook.xml.rels", '<r><Relationship Target="/xl/odd/place.xml" Id="rId7"/></r>')
        z.writestr("xl/odd/place.xml", "<worksheet/>")
    archive = open_archive(path)
    assert part_of_sheet(path, archive, "a & b") == "xl/odd/place.xml"
    assert part_of_sheet(path, archive, "other") == ""
