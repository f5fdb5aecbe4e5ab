"""The text of a workbook's cells: whole numbers without a decimal part, dates in ISO 8601."""

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta

import polars as pl

Cell = int | float | str | bool | time | date | datetime | timedelta


def cell_text(value: Cell) -> str:
    """Give the text of one cell.

    A number is written with the digits that tell it from every other number (17 at most), and without ".0" when it
    is whole; a date as `2026-09-12`, with a clock time as `2026-09-12T14:30:00`; a length of time as `26:30:00`.
    """
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat()
    if isinstance(value, timedelta):
        seconds = round(value.total_seconds())
        sign, seconds = ("-" if seconds < 0 else ""), abs(seconds)
        return f"{sign}{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return value.isoformat()


def column_text(cells: Sequence[Cell]) -> tuple[pl.Series, pl.Series | None]:
    """Give the text of a column's cells.

    Returns
    -------
    text : polars.Series
        String.
    dates : polars.Series or None
        True where the workbook holds a date or a time; None if nowhere.
    """
    types = set(map(type, cells))
    if types <= {str}:
        return pl.Series(cells, dtype=pl.String), None
    if types <= {str, float}:
        return _numbers_and_text(cells), None
    dated = [isinstance(v, date | time | timedelta) for v in cells]
    text = pl.Series([cell_text(v) for v in cells], dtype=pl.String)
    return text, pl.Series(dated, dtype=pl.Boolean) if any(dated) else None


def _numbers_and_text(cells: Sequence[Cell]) -> pl.Series:
    numbers = pl.Series([v if type(v) is float else None for v in cells], dtype=pl.Float64)
    whole = (numbers == numbers.round(0)) & (numbers.abs() < 1e15)
    frame = pl.DataFrame(
        {
            "whole": numbers.set(~whole.fill_null(False), None).cast(pl.Int64).cast(pl.String),
            "broken": [repr(v) if n is False and type(v) is float else None for v, n in zip(cells, whole, strict=True)],
            "text": [v if type(v) is str else None for v in cells],
        },
        schema={"whole": pl.String, "broken": pl.String, "text": pl.String},
    )
    return frame.select(pl.coalesce("text", "whole", "broken").alias("text"))["text"]
