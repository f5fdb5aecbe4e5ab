"""Where a written date lies on a line of days, and how finely it is known."""

from collections.abc import Sequence
from typing import Literal

import polars as pl

from domatia.model.dates import DAYS_A_YEAR

Grain = Literal["day", "month", "year", "mixed"]


def position(column: str = "when") -> pl.Expr:
    """Give the position of a date in days since 1970, as an expression over a table of records.

    A date known to the day lies at that day. A bare year lies at the middle of its year on a line on which every year
    has 365.25 days, so that two bare years lie a whole number of years apart. Any other span lies at its middle.

    Parameters
    ----------
    column : str
        Name of the date field; the table has `<column>_earliest` and `<column>_latest`.

    Returns
    -------
    polars.Expr
        Float64, days; null where the date is missing.
    """
    first, last = pl.col(f"{column}_earliest"), pl.col(f"{column}_latest")
    middle = (first.cast(pl.Int32) + last.cast(pl.Int32)) / 2
    year = (first.dt.year().cast(pl.Float64) - 1970 + 0.5) * DAYS_A_YEAR
    return pl.when(_is_whole_year(column)).then(year).otherwise(middle).cast(pl.Float64)


def _is_whole_year(column: str) -> pl.Expr:
    first, last = pl.col(f"{column}_earliest"), pl.col(f"{column}_latest")
    return (
        (first.dt.ordinal_day() == 1)
        & (last.dt.month() == 12)
        & (last.dt.day() == 31)
        & (first.dt.year() == last.dt.year())
    )


def grain_of(table: pl.DataFrame, column: str = "when") -> Grain:
    """Tell how finely the dates of a table are known: "mixed" if not all alike."""
    if table.is_empty():
        return "day"
    first, last = pl.col(f"{column}_earliest"), pl.col(f"{column}_latest")
    kinds = table.select(
        pl.when(first == last)
        .then(pl.lit("day"))
        .when(_is_whole_year(column))
        .then(pl.lit("year"))
        .otherwise(pl.lit("month"))
        .alias("grain")
    )["grain"].unique()
    found: Sequence[str] = sorted(kinds.drop_nulls().to_list())
    if found == ["day"]:
        return "day"
    if found == ["year"]:
        return "year"
    return "month" if found == ["month"] else "mixed"


def in_unit(days: float, grain: Grain) -> str:
    """Write a length of time for a person: whole years where dates are bare years, else days."""
    if grain == "year":
        years = days / DAYS_A_YEAR
        return f"{years:g} year" + ("" if years == 1 else "s")
    return f"{days:.0f} days"
