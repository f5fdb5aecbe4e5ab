"""A cheap look into the XML of a workbook: formulas, error cells, hidden rows, and how far the cells reach."""

import html
import posixpath
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from domatia.intake.guard import LIMITS, Limits, check_shape, read_part, stop, stream_part

MOST_CELLS = 50_000
"""Formulas, or errors, that are kept one by one; the rest is counted."""


@dataclass
class SheetLook:
    """What a look at one sheet found.

    Attributes
    ----------
    rows, columns : int
        The last row and column that hold a cell.
    filled : int
        Rows that hold a value.
    errors : dict of (int, int) to str
        Row and column (from 1) of cells whose value is an error, with the error's text.
    formulas : dict of (int, int) to str
        Row and column of cells with a formula, with its text (empty where it is shared with another cell).
    unanswered : set of (int, int)
        Cells with a formula and no stored value.
    more_formulas, more_errors : int
        Cells beyond those kept.
    hidden_rows, hidden_columns : int
    """

    rows: int = 0
    columns: int = 0
    filled: int = 0
    errors: dict[tuple[int, int], str] = field(default_factory=dict)
    formulas: dict[tuple[int, int], str] = field(default_factory=dict)
    unanswered: set[tuple[int, int]] = field(default_factory=set)
    more_formulas: int = 0
    more_errors: int = 0
    hidden_rows: int = 0
    hidden_columns: int = 0


_SHEET = re.compile(rb"<(?:\w+:)?sheet\s[^>]*>")
_RELATION = re.compile(rb"<(?:\w+:)?Relationship\s[^>]*>")
_ATTRIBUTE = re.compile(rb"""([\w:]+)\s*=\s*(?:"([^"]*)"|'([^']*)')""")


def _attributes(tag: bytes) -> dict[str, str]:
    return {
        m[1].decode("utf-8", "replace").rpartition(":")[2]: html.unescape(
            (m[2] or m[3] or b"").decode("utf-8", "replace")
        )
        for m in _ATTRIBUTE.finditer(tag)
    }


def part_of_sheet(path: Path, archive: zipfile.ZipFile, sheet: str) -> str:
    """Find the part of an XLSX archive that holds a sheet; empty if it cannot be told.

    Raises
    ------
    CannotOpen
        If the list of sheets is missing or damaged.
    """
    main = read_part(path, archive, "xl/workbook.xml")
    relations = read_part(path, archive, "xl/_rels/workbook.xml.rels")
    targets = {a.get("Id", ""): a.get("Target", "") for a in map(_attributes, _RELATION.findall(relations))}
    for tag in _SHEET.findall(main):
        attributes = _attributes(tag)
        if attributes.get("name") != sheet:
            continue
        target = targets.get(attributes.get("id", ""), "")
        name = target.lstrip("/") if target.startswith("/") else posixpath.normpath(posixpath.join("xl", target))
        return name if name in archive.namelist() else ""
    return ""


def column_number(letters: str) -> int:
    """Give the number of a column from its letters: A is 1, AA is 27."""
    number = 0
    for c in letters:
        number = number * 26 + ord(c) - 64
    return number


def column_letters(number: int) -> str:
    """Give the letters of a column from its number."""
    letters = ""
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


_REF = re.compile(rb' r="([A-Z]+)')
_ROW = re.compile(rb'<row r="(\d+)')
_LOOSE_REF = re.compile(rb"""\sr\s*=\s*["']([A-Z]{1,3})[0-9]""")
_LOOSE_ROW = re.compile(rb"""<(?:\w+:)?row\s[^>]*?\br=["'](\d+)""")
_ROW_TAG = re.compile(rb"<(?:\w+:)?row[\s>/]")
_ROW_START = re.compile(rb"<(?:\w+:)?row(?=[\s>])")
_VALUE_MARKS = (b"<v>", b"<is>", b":v>", b":is>", b"<v ", b"<is ")
_HIDDEN_ROW = re.compile(rb"""<(?:\w+:)?row\s[^>]*?\bhidden=["'](?:1|true)""")
_HIDDEN_COLUMN = re.compile(rb"""<(?:\w+:)?col\s[^>]*?\bhidden=["'](?:1|true)""")
_CELL = re.compile(rb"<(?:\w+:)?c[\s>]")
_ODD_MARKS = (b"<f>", b"<f ", b"<f/", b":f>", b":f ", b":f/", b't="e"', b"t='e'")
_ODD = re.compile(rb"""<(?:\w+:)?f[\s>/]|\st=["']e["']""")
_CELL_START = re.compile(rb"""<(?:\w+:)?c\s[^>]*?\br=["']([A-Z]{1,3})(\d+)["'][^>]*>""")
_CELL_END = re.compile(rb"</(?:\w+:)?c>")
_FORMULA = re.compile(rb"<(?:\w+:)?f(?:\s[^>]*)?(?:/>|>([^<]*)<)")
_VALUE = re.compile(rb"<(?:\w+:)?v(?:\s[^>]*)?>([^<]+)<|<(?:\w+:)?is>")
_ERROR = re.compile(rb"""\st=["']e["']""")


def look_at_sheet(path: Path, archive: zipfile.ZipFile, part: str, limits: Limits = LIMITS) -> SheetLook:
    """Go once through the XML of a sheet without building it up in memory.

    Raises
    ------
    CannotOpen
        If the part is damaged or the cells reach beyond the limits.
    """
    look = SheetLook()
    letters: set[bytes] = set()
    wide = counted = 0
    said = False
    for text in _whole_cells(path, stream_part(path, archive, part, limits)):
        refs, cells = _REF.findall(text), text.count(b"<c ") + text.count(b"<c>")
        if len(refs) != cells:
            refs = _LOOSE_REF.findall(text)
            wide = max(wide, _widest_row(text)) if len(refs) < len(_CELL.findall(text)) else wide
        letters.update(refs)
        rows, tags = _ROW.findall(text), text.count(b"<row")
        if len(rows) != tags or not tags:
            rows, tags = _LOOSE_ROW.findall(text), len(_ROW_TAG.findall(text))
        counted += tags
        filled, said = _filled_rows(text, said)
        look.filled += filled
        look.rows = max(look.rows, counted, max(map(int, rows), default=0))
        if b"hidden=" in text:
            look.hidden_rows += len(_HIDDEN_ROW.findall(text))
            look.hidden_columns += len(_HIDDEN_COLUMN.findall(text))
        if any(mark in text for mark in _ODD_MARKS):
            _look_at_odd_cells(text, look)
        look.columns = max(wide, *(column_number(x.decode()) for x in letters), 0)
        check_shape(path, look.rows, look.columns, limits, max(look.rows, 1))
    return look


def _filled_rows(text: bytes, said: bool) -> tuple[int, bool]:
    """Count the rows in which a value is met for the first time; `said` tells so of the row that is open."""
    rest, *rows = _ROW_START.split(text)
    fresh = not said and _has_value(rest)
    filled = [_has_value(row) for row in rows]
    return fresh + sum(filled), filled[-1] if filled else said or fresh


def _has_value(xml: bytes) -> bool:
    return any(mark in xml for mark in _VALUE_MARKS)


def _whole_cells(path: Path, pieces: Iterator[bytes]) -> Iterator[bytes]:
    """Give the XML in pieces that end before the start of a cell, so that no cell is cut in two."""
    rest = b""
    for piece in pieces:
        text = rest + piece
        at = max(text.rfind(b"<c "), text.rfind(b"<row "), text.rfind(b":c "), text.rfind(b":row "))
        at = text.rfind(b"<", 0, at + 1) if at > 0 else at
        if at <= 0:
            rest = text
            if len(rest) > 40_000_000:
                raise stop(path, "one cell of the workbook has more than 40,000,000 bytes", "Ask for the table as CSV.")
            continue
        yield text[:at]
        rest = text[at:]
    yield rest


def _widest_row(text: bytes) -> int:
    """Count the cells of the fullest row, for sheets whose cells do not say where they are."""
    return max((len(_CELL.findall(row)) for row in text.split(b"row")), default=0)


def _look_at_odd_cells(text: bytes, look: SheetLook) -> None:
    if min(len(look.errors), len(look.formulas)) >= MOST_CELLS:
        look.more_errors += len(_ERROR.findall(text))
        look.more_formulas += len(_FORMULA.findall(text))
        return
    done = -1
    for m in _ODD.finditer(text):
        if m.start() < done:
            continue
        start = max(text.rfind(b"<c ", 0, m.start() + 1), text.rfind(b":c ", 0, m.start() + 1))
        start = text.rfind(b"<", 0, start + 1)
        tail = _CELL_END.search(text, m.end())
        end = tail.start() if tail else len(text)
        cell = text[start:end]
        head = _CELL_START.match(cell)
        if head is None:
            continue
        done = end
        _keep(look, (int(head[2]), column_number(head[1].decode())), head[0], cell)


def _keep(look: SheetLook, place: tuple[int, int], head: bytes, cell: bytes) -> None:
    value = _VALUE.search(cell)
    if _ERROR.search(head):
        if len(look.errors) < MOST_CELLS:
            look.errors[place] = html.unescape((value[1] or b"").decode("utf-8", "replace")) if value else "#ERROR"
        else:
            look.more_errors += 1
    formula = _FORMULA.search(cell)
    if formula is None:
        return
    if len(look.formulas) >= MOST_CELLS:
        look.more_formulas += 1
        return
    look.formulas[place] = html.unescape((formula[1] or b"").decode("utf-8", "replace"))
    if value is None:
        look.unanswered.add(place)


_ODS_TOKEN = re.compile(
    rb"<table:table\s[^>]*>|<table:table-row(?:\s[^>]*)?>|</table:table-row>|<table:(?:covered-)?table-cell(?:\s[^>]*)?>"
)
_ODS_REPEAT = re.compile(rb"""table:number-(?:columns|rows)-repeated=["'](\d+)["']""")
_ODS_FORMULA = re.compile(rb"""table:formula=["']([^"']*)["']""")
_ODS_NAME = re.compile(rb"""table:name=["']([^"']*)["']""")


def look_at_ods(path: Path, archive: zipfile.ZipFile, sheet: str, limits: Limits = LIMITS) -> SheetLook:
    """Go once through the content of an ODS file: formulas of one sheet, and the reach of every sheet.

    A cell in this format can stand for a million; so can a row. A sheet is refused if, all written out, it would
    pass the limits.
    """
    look = here = SheetLook()
    wanted = False
    before, times, column, last = 0, 1, 0, 0
    for text in _whole_tags(path, stream_part(path, archive, "content.xml", limits)):
        for token in _ODS_TOKEN.findall(text):
            repeated = int(m[1]) if (m := _ODS_REPEAT.search(token)) else 1
            if token.startswith(b"<table:table "):
                name = m[1] if (m := _ODS_NAME.search(token)) else b""
                wanted = html.unescape(name.decode("utf-8", "replace")) == sheet
                here = look if wanted else SheetLook()
                before = 0
            elif token.startswith(b"<table:table-row"):
                column, last, times = 0, 0, repeated
                before += repeated if token.endswith(b"/>") else 0
            elif token.startswith(b"</"):
                before += times
                if last:
                    here.filled += times
                    here.rows, here.columns = before, max(here.columns, last)
                    check_shape(path, here.rows, here.columns, limits, before)
            else:
                column += repeated
                filled = b"office:value" in token or b"value-type" in token or not token.endswith(b"/>")
                last = column if filled else last
                if wanted and (f := _ODS_FORMULA.search(token)) and len(look.formulas) < MOST_CELLS:
                    text_of = html.unescape(f[1].decode("utf-8", "replace"))
                    look.formulas[before + 1, column] = text_of.removeprefix("of:").removeprefix("=")
    return look


def _whole_tags(path: Path, pieces: Iterator[bytes]) -> Iterator[bytes]:
    rest = b""
    for piece in pieces:
        text = rest + piece
        at = text.rfind(b"<")
        if at <= 0:
            rest = text
            if len(rest) > 40_000_000:
                raise stop(path, "one cell of the workbook has more than 40,000,000 bytes", "Ask for the table as CSV.")
            continue
        yield text[:at]
        rest = text[at:]
    yield rest
