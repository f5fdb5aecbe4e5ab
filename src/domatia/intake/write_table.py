"""Write tables of text as delimited text or as a workbook."""

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import polars as pl
import xlsxwriter

from domatia.model import WrongUse

_SUFFIXES = {".csv": ",", ".tsv": "\t", ".txt": "\t"}
_MOST_CHARACTERS = 32_767
_MOST_ROWS = 1_048_576


def write_table(
    path: Path, rows: pl.DataFrame, *, header: Sequence[str] = (), delimiter: str = "", encoding: str = "utf-8"
) -> None:
    """Write a table of text; the name's ending says as what: `.csv`, `.tsv`, `.txt` (tab) or `.xlsx`.

    Parameters
    ----------
    path : Path
    rows : polars.DataFrame
        String columns. In text, a row ends early where only nulls follow; in a workbook null is no cell.
    header : sequence of str, optional
        Headers where they differ from the frame's names, for example because one stands twice.
    delimiter, encoding : str
        Of a text file; by default the one that belongs to the name's ending, and UTF-8.

    Raises
    ------
    WrongUse
        If the ending is unknown, the number of headers is wrong, or a cell cannot be written in the encoding.
    """
    suffix = path.suffix.lower()
    if suffix == ".xlsx":
        write_workbook(path, {"Sheet1": rows}, headers={"Sheet1": header} if header else None)
        return
    if suffix not in _SUFFIXES:
        raise WrongUse(f"Tables cannot be written as {path.name}", (*_SUFFIXES, ".xlsx"), name=suffix)
    names = _headers(rows, header)
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=delimiter or _SUFFIXES[suffix], lineterminator="\n")
    writer.writerow(names)
    # A row that is one empty cell would be a blank line, and lost; the writer quotes it.
    writer.writerows(_until_the_last_value(row) for row in rows.iter_rows())
    try:
        path.write_bytes(text.getvalue().encode(encoding))
    except UnicodeEncodeError as e:
        raise WrongUse(
            f"{path.name} cannot be written in {encoding}: {e.object[e.start : e.end]!r} is not part of it",
            next_step="Write it in utf-8.",
        ) from e


def _until_the_last_value(row: tuple[str | None, ...]) -> Sequence[str]:
    length = len(row)
    while length > 1 and row[length - 1] is None:
        length -= 1
    return ["" if v is None else v for v in row[:length]]


def _headers(rows: pl.DataFrame, header: Sequence[str]) -> Sequence[str]:
    if header and len(header) != rows.width:
        raise WrongUse(f"{len(header)} headers for {rows.width} columns", f"{rows.width} headers")
    return header or rows.columns


def write_workbook(
    path: Path,
    sheets: Mapping[str, pl.DataFrame],
    *,
    headers: Mapping[str, Sequence[str]] | None = None,
    numbers: Sequence[str] = (),
    dates: Sequence[str] = (),
) -> None:
    """Write tables of text as the sheets of a workbook (XLSX).

    Parameters
    ----------
    path : Path
    sheets : mapping of str to polars.DataFrame
        By the sheet's name: String columns.
    headers : mapping of str to sequence of str, optional
        By the sheet's name, headers where they differ from the frame's names.
    numbers : sequence of str
        Columns whose cells are written as numbers where they are numbers with a point.
    dates : sequence of str
        Columns whose cells are written as dates where they are `yyyy-mm-dd`.

    Raises
    ------
    WrongUse
        If a table is too long, or a cell too long, for the format.
    """
    with xlsxwriter.Workbook(str(path), {"constant_memory": True, "strings_to_formulas": False}) as book:
        days = book.add_format({"num_format": "yyyy-mm-dd"})
        for name, rows in sheets.items():
            if rows.height >= _MOST_ROWS:
                raise WrongUse(f"{rows.height:,} rows do not fit a sheet", f"{_MOST_ROWS - 1:,} rows")
            sheet = book.add_worksheet(name)
            names = _headers(rows, (headers or {}).get(name, ()))
            as_number = [c in numbers for c in rows.columns]
            as_date = [c in dates for c in rows.columns]
            for at, head in enumerate(names):
                sheet.write_string(0, at, head)
            for line, row in enumerate(rows.iter_rows(), start=1):
                for at, cell in enumerate(row):
                    if not cell:
                        continue
                    if as_number[at] and (number := _number(cell)) is not None:
                        sheet.write_number(line, at, number)
                    elif as_date[at] and (day := _day(cell)) is not None:
                        sheet.write_datetime(line, at, day, days)
                    elif len(cell) > _MOST_CHARACTERS:
                        raise WrongUse(
                            f"Row {line + 1} of {name} holds a cell of {len(cell):,} characters",
                            f"{_MOST_CHARACTERS:,} characters",
                        )
                    else:
                        sheet.write_string(line, at, cell)


def _number(cell: str) -> float | None:
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if abs(value) < 1e300 and cell.strip() == cell and "_" not in cell else None


def _day(cell: str) -> date | None:
    try:
        day = date.fromisoformat(cell)
    except ValueError:
        return None
    return day if day.year >= 1900 and len(cell) == 10 else None
