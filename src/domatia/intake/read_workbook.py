"""Sheets of a workbook become tables of text, at their true rows and columns."""

import zipfile
from collections.abc import Sequence
from itertools import islice
from pathlib import Path

import polars as pl
import python_calamine

from domatia.intake.cell_text import column_text
from domatia.intake.guard import LIMITS, Limits, check_filled, check_shape, check_size, open_archive, sha256_of, stop
from domatia.intake.sheet_xml import SheetLook, column_letters, look_at_ods, look_at_sheet, part_of_sheet
from domatia.intake.text_table import (
    Gathering,
    TextTable,
    blank_rows,
    judge_header,
    tell_no_rows,
    unique_header,
    used_columns,
    without_long_cells,
)
from domatia.model import CannotOpen, WrongUse

_ROWS_AT_ONCE = 50_000
_SAVE_AGAIN = "Open it in a spreadsheet program, save it again as XLSX, and read the new file."


def is_workbook(path: Path) -> bool:
    """Tell by its content, not its name, whether a file is a workbook."""
    with path.open("rb") as f:
        start = f.read(8)
    if start.startswith(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"):
        return True
    if not start.startswith(b"PK"):
        return False
    try:
        with zipfile.ZipFile(path) as archive:
            names = set(archive.namelist())
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, EOFError):
        return path.suffix.lower() in (".xlsx", ".xlsm", ".ods", ".xlsb")
    return bool(names & {"xl/workbook.xml", "xl/workbook.bin", "content.xml", "[Content_Types].xml"})


class _Workbook:
    """An open workbook: the archive, where it is one, and the reader."""

    def __init__(self, path: Path, limits: Limits) -> None:
        self.path, self.limits = path, limits
        self.archive: zipfile.ZipFile | None = None
        with path.open("rb") as f:
            old = f.read(4) == b"\xd0\xcf\x11\xe0"
        if old:
            check_size(path, limits.workbook_bytes)
            if "EncryptedPackage".encode("utf-16-le") in path.read_bytes():
                raise stop(
                    path, "the workbook is locked by a password", "Save a copy without a password and read that."
                )
        else:
            self.archive = open_archive(path, limits)
            self._check_archive(self.archive)
        self.reader = self._open()

    def _check_archive(self, archive: zipfile.ZipFile) -> None:
        names = archive.namelist()
        if "xl/workbook.bin" in names:
            raise stop(self.path, "this binary form of workbook is not read", "Save it as XLSX.")
        if "xl/workbook.xml" not in names and "content.xml" not in names:
            raise stop(self.path, "this archive holds no workbook", "Look whether it is the right file.")
        for name in names:
            if name.endswith("sharedStrings.xml") and archive.getinfo(name).file_size > self.limits.strings_bytes:
                raise stop(self.path, f"the part {name!r} is too large", "Split the table, or save it as CSV.")
            if name.endswith("encryption-data"):
                raise stop(self.path, "the workbook is locked by a password", "Save a copy without a password.")
        if "content.xml" in names and b"encryption-data" in archive.read("META-INF/manifest.xml"):
            raise stop(self.path, "the workbook is locked by a password", "Save a copy without a password.")

    def _open(self) -> python_calamine.CalamineWorkbook:
        try:
            return python_calamine.CalamineWorkbook.from_path(str(self.path))
        except python_calamine.PasswordError as e:
            raise stop(self.path, "the workbook is locked by a password", "Save a copy without a password.") from e
        except BaseException as e:
            raise self._damaged(e) from e

    def _damaged(self, error: BaseException) -> BaseException:
        """Turn the reader's errors, and its panics, into one that a person can act on."""
        panic = type(error).__name__ == "PanicException"
        if isinstance(error, CannotOpen) or not (panic or isinstance(error, Exception)):
            return error
        return stop(self.path, f"the workbook is damaged ({str(error)[:200]})", _SAVE_AGAIN)

    def look(self, sheet: str) -> SheetLook | None:
        """Look at a sheet before it is read; None where the format does not allow it."""
        if self.archive is None:
            return None
        if "content.xml" in self.archive.namelist():
            return look_at_ods(self.path, self.archive, sheet, self.limits)
        part = part_of_sheet(self.path, self.archive, sheet)
        return look_at_sheet(self.path, self.archive, part, self.limits) if part else None

    def sheet(self, name: str) -> python_calamine.CalamineSheet:
        """Read the cells of a sheet."""
        try:
            return self.reader.get_sheet_by_name(name)
        except BaseException as e:
            raise self._damaged(e) from e


def sheets_of(path: Path, limits: Limits = LIMITS) -> tuple[str, ...]:
    """Give the names of a workbook's sheets in their order.

    Raises
    ------
    CannotOpen
        If it cannot be opened.
    """
    return tuple(_Workbook(path, limits).reader.sheet_names)


def read_workbook(path: Path, *, sheet: str = "", skip_rows: int = 0, limits: Limits = LIMITS) -> TextTable:
    """Read one sheet of a workbook.

    Parameters
    ----------
    path : Path
    sheet : str
        Its name; empty for the first sheet that is not hidden.
    skip_rows : int
        Rows of the sheet before the header.
    limits : Limits

    Raises
    ------
    CannotOpen
        If nothing can be read at all.
    WrongUse
        If there is no such sheet.
    """
    book = _Workbook(path, limits)
    gathering = Gathering(path.name, "")
    chosen = _choose(book, sheet, gathering)
    gathering.sheet = chosen
    look = book.look(chosen)
    if look is not None:
        check_filled(path, chosen, look.filled, limits)
    cells = book.sheet(chosen)
    check_shape(path, cells.total_height, cells.total_width, limits, cells.total_height)
    columns, dated, height = _columns(cells)
    if not columns or height <= skip_rows:
        raise stop(path, f"the sheet {chosen!r} holds nothing below row {skip_rows}", "Name another sheet.")
    frame = pl.DataFrame({str(i): c for i, c in enumerate(columns)})
    if look is not None:
        frame = _with_errors(frame, look)
    filled = (~blank_rows(frame)).arg_true()
    start = next((int(i) for i in filled if i >= skip_rows), None)
    if start is None:
        raise stop(path, f"the sheet {chosen!r} holds nothing below row {skip_rows}", "Name another sheet.")
    written = [v or "" for v in frame.row(start)]
    names = unique_header(written)
    body = frame.slice(start + 1)
    body.columns = list(names)
    keep = ~blank_rows(body)
    judge_header(gathering, start + 1, written, body.filter(keep))
    if look is not None:
        _tell_errors(look, names, gathering)
        _tell_formulas(look, start + 1, names, gathering)
    _tell_merged(cells, gathering)
    numbers = pl.Series("row", range(start + 2, start + 2 + body.height), dtype=pl.Int64).filter(keep)
    rows, kept = used_columns(body.filter(keep), written)
    rows = without_long_cells(rows, numbers, limits.cell_bytes, gathering)
    tell_no_rows(gathering, rows.height, start + 1)
    return TextTable(
        name=path.name,
        sheet=chosen,
        sha256=sha256_of(path),
        size_bytes=path.stat().st_size,
        header=tuple(rows.columns),
        written_header=kept,
        rows=rows,
        row_numbers=numbers,
        header_row=start + 1,
        findings=gathering.all(),
        notes=(f"Sheet {chosen!r}, {'as asked' if sheet else 'the first that is not hidden'}.",),
        real_dates={
            names[i]: mask.slice(start + 1).filter(keep)
            for i, mask in dated.items()
            if mask.slice(start + 1).filter(keep).any()
        },
    )


def _choose(book: _Workbook, sheet: str, gathering: Gathering) -> str:
    metadata = [m for m in book.reader.sheets_metadata if m.typ == python_calamine.SheetTypeEnum.WorkSheet]
    names = [m.name for m in metadata]
    hidden = [m.name for m in metadata if m.visible != python_calamine.SheetVisibleEnum.Visible]
    if sheet:
        if sheet not in names:
            raise WrongUse(f"{book.path.name} has no sheet {sheet!r}", names, name=sheet)
        return sheet
    shown = [n for n in names if n not in hidden]
    if not names:
        raise stop(book.path, "the workbook has no sheet with cells", "Look whether it is the right file.")
    chosen = (shown or names)[0]
    if len(names) > 1:
        others = [n + (" (hidden)" if n in hidden else "") for n in names if n != chosen]
        gathering.add(
            "several_sheets",
            "note",
            None,
            f"The workbook has {len(names)} sheets; {chosen!r} was read, not {', '.join(others)[:200]}.",
            "a mapping that names the sheet.",
            f"Write sheet = {chosen!r} into the mapping, and import the others by mappings of their own.",
            values=tuple(names),
        )
    return chosen


def _columns(sheet: python_calamine.CalamineSheet) -> tuple[list[pl.Series], dict[int, pl.Series], int]:
    """Read the cells of a sheet, column by column."""
    parts: list[list[pl.Series]] = []
    dates: dict[int, list[tuple[int, pl.Series]]] = {}
    height = 0
    every = iter(sheet.iter_rows())
    while rows := list(islice(every, _ROWS_AT_ONCE)):
        for at, cells in enumerate(zip(*rows, strict=True)):
            text, dated = column_text(cells)
            if at == len(parts):
                parts.append([])
            parts[at].append(text)
            if dated is not None:
                dates.setdefault(at, []).append((height, dated))
        height += len(rows)
    left = sheet.start[1] if sheet.start else 0
    columns = [pl.repeat("", height, eager=True)] * left + [pl.concat(p) for p in parts]
    return columns, {left + at: _mask(found, height) for at, found in dates.items()}, height


def _mask(found: Sequence[tuple[int, pl.Series]], height: int) -> pl.Series:
    pieces: list[pl.Series] = []
    at = 0
    for start, mask in found:
        pieces += [pl.repeat(False, start - at, dtype=pl.Boolean, eager=True), mask]
        at = start + len(mask)
    return pl.concat([*pieces, pl.repeat(False, height - at, dtype=pl.Boolean, eager=True)])


def _with_errors(frame: pl.DataFrame, look: SheetLook) -> pl.DataFrame:
    """Put the errors' own text into their cells."""
    by_column: dict[int, dict[int, str]] = {}
    for (row, column), text in look.errors.items():
        if row <= frame.height and column <= frame.width:
            by_column.setdefault(column - 1, {})[row - 1] = text
    for column, cells in by_column.items():
        name = frame.columns[column]
        frame = frame.with_columns(frame[name].scatter(list(cells), list(cells.values())))
    return frame


def _tell_errors(look: SheetLook, names: Sequence[str], gathering: Gathering) -> None:
    for (row, column), text in look.errors.items():
        gathering.add(
            "error_cell",
            "error",
            row,
            f"The cell {column_letters(column)}{row} holds the error {text}.",
            "a value or an empty cell.",
            "Mend its formula or clear the cell.",
            column=names[column - 1] if column <= len(names) else column_letters(column),
            values=(text,),
        )
    gathering.count("error_cell", "error", look.more_errors)


def _tell_formulas(look: SheetLook, header_row: int, names: Sequence[str], gathering: Gathering) -> None:
    for (row, column), text in look.formulas.items():
        if row < header_row:
            continue
        empty = (row, column) in look.unanswered
        shown = f" ={text[:60]}" if text else ""
        gathering.add(
            "formula_without_value" if empty else "formula",
            "error" if empty else "warning",
            row,
            f"The cell {column_letters(column)}{row} holds the formula{shown}"
            + (" and no result; it is read as empty." if empty else "; its last stored result is read."),
            "what was measured, typed in.",
            "Let the spreadsheet program calculate and save the file again."
            if empty
            else "Look whether the result is right; replace the formula by its value.",
            column=names[column - 1] if column <= len(names) else column_letters(column),
            values=(text[:200],),
        )
    gathering.count("formula", "warning", look.more_formulas)
    if look.hidden_rows or look.hidden_columns:
        gathering.add(
            "hidden_cells",
            "note",
            None,
            f"{look.hidden_rows} rows and {look.hidden_columns} groups of columns are hidden; they are read too.",
            "a sheet of which everything is meant to be read.",
            "Look whether they were filtered away or left out on purpose.",
        )


def _tell_merged(sheet: python_calamine.CalamineSheet, gathering: Gathering) -> None:
    merged = sheet.merged_cell_ranges or []
    for (top, left), (bottom, right) in merged:
        gathering.add(
            "merged_cells",
            "warning",
            top + 1,
            f"The cells {column_letters(left + 1)}{top + 1} to {column_letters(right + 1)}{bottom + 1} are merged; "
            "their value stands in the first, the others are read as empty.",
            "one value in each cell.",
            "Take the merging apart and fill the cells.",
        )
