"""A value lies outside its range.

What is wrong
-------------
A number is impossible (a cover of 130 %, a negative height, infinity), which is an error, or it lies outside what the
system profile holds plausible for this kind of plant, which is a warning.

An example that fails
---------------------
| plant | visit | openness_pct |
|-------|-------|--------------|
| 82    | 2003  | 130          |

The better form
---------------
Compare the sheet and correct the value; or, where the plant really is so large, widen the range in the study's profile.
A value is never cut to its range.

What it does not see
--------------------
A wrong value that is plausible. Columns without a limit in the table of fields and without a range in the profile.

Source
------
Limits: the table of fields. Ranges: the study's own profile. Common practice, no source.
"""

from math import inf

import polars as pl

from domatia.checks.gather import Row, grouped, number, where
from domatia.checks.owners import owned
from domatia.checks.written import listing
from domatia.model import Check, Field, Finding, StudyData, fields_of

_COLUMNS = ("owner", "kind", "column", "unit", "value", "hard", "least", "most", "record_id", "subject_id", "label")
_ORIGIN = ("origin_file", "origin_sheet", "origin_row")


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find numbers outside the limits of the table of fields or the ranges of the profile."""
    parts = [part for kind in sorted(data.tables) if data.table(kind).height for part in _kind(kind, data)]
    if not parts:
        return ()
    hits = pl.concat(parts)
    return tuple(_finding(rows) for rows in grouped(hits, "owner"))


def _kind(kind: str, data: StudyData) -> list[pl.DataFrame]:
    table = data.table(kind)
    strange = [f for f in fields_of(kind) if f.type in ("integer", "number") and table.filter(_outside(f, data)).height]
    if not strange:
        return []
    named = owned(kind, data)
    return [
        named.filter(_outside(f, data))
        .with_columns(
            pl.lit(kind).alias("kind"),
            pl.lit(f.column).alias("column"),
            pl.lit(f.unit if f.unit != "1" else "").alias("unit"),
            pl.col(f.column).cast(pl.Float64).alias("value"),
            _impossible(f).alias("hard"),
            pl.lit(_range(f, data)[0]).alias("least"),
            pl.lit(_range(f, data)[1]).alias("most"),
        )
        .select(*_COLUMNS, *_ORIGIN)
        for f in strange
    ]


def _range(f: Field, data: StudyData) -> tuple[float, float]:
    low, high = -inf if f.low is None else f.low, inf if f.high is None else f.high
    least, most = data.profile.ranges.get(f"{f.record}.{f.column}", (low, high))
    return max(low, least), min(high, most)


def _impossible(f: Field) -> pl.Expr:
    value = pl.col(f.column).cast(pl.Float64)
    low, high = -inf if f.low is None else f.low, inf if f.high is None else f.high
    return (~value.is_finite() | (value < low) | (value > high)).fill_null(False)


def _outside(f: Field, data: StudyData) -> pl.Expr:
    value = pl.col(f.column).cast(pl.Float64)
    least, most = _range(f, data)
    return (~value.is_finite() | (value < least) | (value > most)).fill_null(False)


def _limits(row: Row) -> str:
    unit = f" {row['unit']}" if row["unit"] else ""
    if row["least"] == -inf:
        return f"{row['column']} at most {number(row['most'])}{unit}"
    if row["most"] == inf:
        return f"{row['column']} at least {number(row['least'])}{unit}"
    return f"{row['column']} between {number(row['least'])} and {number(row['most'])}{unit}"


def _finding(rows: list[Row]) -> Finding:
    told = [f"{row['column']} is {number(row['value'])}{' ' + row['unit'] if row['unit'] else ''}" for row in rows]
    hard = any(row["hard"] for row in rows)
    return Finding(
        code=CHECK.code,
        severity="error" if hard else "warning",
        where=tuple(where(row, row["kind"], row["column"]) for row in rows),
        found=f"Outside its range: {listing(told)}.",
        expected=f"A {listing(sorted({_limits(row) for row in rows}))}.",
        remedy="Compare the sheet and correct the value."
        if hard
        else "Compare the sheet; correct the value, or widen the range in the profile.",
        subjects=(rows[0]["owner"],),
        values=tuple(f"{row['kind']} {row['label']} {t}" for row, t in zip(rows, told, strict=True)),
    )


CHECK = Check(
    code="out_of_range",
    title="A value lies outside its range",
    severity="error",
    kinds=("plant", "visit", "occupancy", "leaf"),
    run=run,
)
