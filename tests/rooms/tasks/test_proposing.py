"""Proposals for whole files: titles above the header, further sheets."""

from pathlib import Path

import xlsxwriter

from domatia.intake.mapping_parse import parse_mapping
from domatia.tasks.proposing import propose_mapping


def _workbook(path: Path) -> None:
    """Write two sheets, each with a title, an empty row, a header and four visits."""
    book = xlsxwriter.Workbook(str(path))
    for name in ("North side", "South side"):
        sheet = book.add_worksheet(name)
        sheet.write(0, 0, "Census of March, crews A and B")
        sheet.write_row(2, 0, ["plot", "tag", "date", "status", "ht (m)"])
        for i in range(4):
            sheet.write_row(3 + i, 0, ["Mill", i, f"2023-03-0{i + 1}", "alive", 1.5 + i])
    book.close()


def test_a_title_above_the_header_is_passed_over_and_told(tmp_path: Path) -> None:
    """The header below a title is found, and the rows above it are written into the mapping."""
    _workbook(tmp_path / "visits.xlsx")
    text = propose_mapping(str(tmp_path / "visits.xlsx"))
    mapping = parse_mapping(text)
    assert mapping.table.skip_rows == 2
    assert mapping.parts["visit"].fields["height_cm"].unit == "m"
    assert "row 1 was taken for a title; the header stands in row 3" in text


def test_further_sheets_are_named(tmp_path: Path) -> None:
    """A proposal speaks of one sheet and names the others."""
    _workbook(tmp_path / "visits.xlsx")
    assert "further sheets: 'South side'" in propose_mapping(str(tmp_path / "visits.xlsx"))
    assert "further sheets: 'North side'" in propose_mapping(str(tmp_path / "visits.xlsx"), "South side")
