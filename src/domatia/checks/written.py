"""Dates as a person wrote them: a year, a month, a day or a span, as text and as polars expressions."""

from collections.abc import Sequence

import polars as pl


def written(column: str) -> pl.Expr:
    """Write a stored date with the precision it has, such as `2003`, `2003-10`, `2003-10-17` or `2003 to 2009`.

    Parameters
    ----------
    column : str
        Name of the date or instant field, without `_earliest`.

    Returns
    -------
    polars.Expr
        Text; null where the date is null.
    """
    first, last = pl.col(f"{column}_earliest"), pl.col(f"{column}_latest")
    same_year = first.dt.year() == last.dt.year()
    whole_year = (
        same_year & (first.dt.month() == 1) & (first.dt.day() == 1) & (last.dt.month() == 12) & (last.dt.day() == 31)
    )
    whole_month = same_year & (first == first.dt.month_start()) & (last == first.dt.month_end())
    return (
        pl.when(first.is_null() | last.is_null())
        .then(pl.lit(None, dtype=pl.String))
        .when(first == last)
        .then(first.dt.to_string("%Y-%m-%d"))
        .when(whole_year)
        .then(first.dt.to_string("%Y"))
        .when(whole_month)
        .then(first.dt.to_string("%Y-%m"))
        .otherwise(_span(first, last))
    )


def _span(first: pl.Expr, last: pl.Expr) -> pl.Expr:
    whole_years = (first.dt.ordinal_day() == 1) & (last.dt.month() == 12) & (last.dt.day() == 31)
    form = pl.lit(" to ")
    years = pl.concat_str([first.dt.to_string("%Y"), form, last.dt.to_string("%Y")])
    days = pl.concat_str([first.dt.to_string("%Y-%m-%d"), form, last.dt.to_string("%Y-%m-%d")])
    return pl.when(whole_years).then(years).otherwise(days)


def listing(parts: Sequence[str], most: int = 8) -> str:
    """Join phrases for a sentence: `a, b and c`, and beyond `most` of them `a, b, … and 5 more`.

    Parameters
    ----------
    parts : sequence of str
    most : int
        How many are named at most; the finding's places name all of them.
    """
    named = list(parts)
    if len(named) > most:
        named = [*named[: most - 1], f"{len(named) - most + 1} more"]
    if len(named) < 2:
        return "".join(named)
    return ", ".join(named[:-1]) + " and " + named[-1]


def at(date: str) -> str:
    """Put the word before a written date that it is spoken with: `on 2003-10-17`, `in 2003`."""
    return f"{'on' if date.count('-') == 2 and len(date) == len('2003-10-17') else 'in'} {date}"


def counted(number: int, one: str, many: str) -> str:
    """Write a number with its noun, such as `1 plant` and `2 plants`."""
    return f"{number:,} {one if number == 1 else many}"
