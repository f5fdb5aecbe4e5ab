"""Rows that hold a value are counted on the way, however the XML is cut into pieces."""

import io
import zipfile
from pathlib import Path

import pytest

from domatia.intake import guard
from domatia.intake.sheet_xml import look_at_sheet

ROW = '<row r="{r}"><c r="A{r}"><v>{r}</v></c><c r="B{r}" t="inlineStr"><is><t>x</t></is></c></row>'
BARE = '<row r="{r}" ht="20"/><row r="{s}"><c r="A{s}" s="1"/></row>'


@pytest.mark.parametrize("chunk", [7, 64, 1000, 1 << 20])
def test_filled_rows_do_not_depend_on_the_pieces(monkeypatch: pytest.MonkeyPatch, chunk: int) -> None:
    """Twenty filled rows among forty bare ones, read in pieces of several sizes."""
    rows = "".join(ROW.format(r=3 * n + 1) + BARE.format(r=3 * n + 2, s=3 * n + 3) for n in range(20))
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("s.xml", f"<worksheet><sheetData>{rows}</sheetData></worksheet>")
    monkeypatch.setattr(guard, "_CHUNK", chunk)
    with zipfile.ZipFile(packed) as archive:
        assert look_at_sheet(Path("s.xlsx"), archive, "s.xml").filled == 20
