"""A date cannot be right, or can mean two things.

What is wrong
-------------
One of these: the last day lies before the first; the date lies in the future; a visit is older than the day on which
the plant was first seen; a visit lies outside the window of its round, or, without a round, outside all rounds of the
study; it lies more than ten years from all other visits (1903 for 2003); or it can mean two days (3 April or 4 March),
or any day of a span of more than a month that is neither a month nor a year.

An example that fails
---------------------
| plant | first_seen | visit      |
|-------|------------|------------|
| 82    | 2001-10-12 | 2000-10-12 |

The better form
---------------
Correct the date. An ambiguous date is settled by the order of the sheets: give the day, or the month alone, or the year
alone; a date may be as coarse as it is known, and nothing is padded.

What it does not see
--------------------
A wrong date that is possible. "The future" is after tomorrow by the clock of the machine that runs the check, so that
no time zone matters. Dates of other kinds of record than visits are checked for the first two only.

Source
------
Common practice, no source.
"""

from datetime import date, timedelta

import polars as pl

from domatia.checks.gather import Row, grouped, where
from domatia.checks.one_plant import with_kept
from domatia.checks.owners import owned
from domatia.checks.sightings import sightings
from domatia.checks.written import listing, written
from domatia.model import Check, Finding, StudyData, fields_of

_FAR_DAYS = 3652
_SPAN_DAYS = 31
_RARE = 0.01
_ORIGIN = ("origin_file", "origin_sheet", "origin_row")


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find dates that are impossible, unlikely or ambiguous."""
    found = []
    for kind in sorted(data.tables):
        hits = _of_kind(kind, data)
        if kind == "visit":
            hits += _of_visits(data)
        whole = pl.concat(hits) if hits else pl.DataFrame()
        if whole.height:
            named = owned(kind, data).drop("kind", strict=False)
            found.append(
                whole.join(named.select("record_id", "subject_id", "owner", "label", *_ORIGIN), on="record_id")
            )
    return tuple(_finding(rows) for rows in grouped(pl.concat(found), "owner")) if found else ()


def _hits(rows: pl.DataFrame, kind: str, column: str, reason: str, grave: bool) -> pl.DataFrame:
    return rows.select(
        "record_id",
        pl.lit(kind).alias("kind"),
        pl.lit(column).alias("column"),
        pl.lit(reason).alias("reason"),
        pl.lit(grave).alias("grave"),
        written(column).alias("told"),
    )


def _of_kind(kind: str, data: StudyData) -> list[pl.DataFrame]:
    table = data.table(kind)
    hits = []
    tomorrow = date.today() + timedelta(days=1)
    for f in fields_of(kind):
        if f.type not in ("date", "instant"):
            continue
        first, last = pl.col(f"{f.column}_earliest"), pl.col(f"{f.column}_latest")
        hits.append(_hits(table.filter(last < first), kind, f.column, "the last day lies before the first", True))
        if f.type == "instant" or f.column in ("when", "first_seen", "stated"):
            hits.append(_hits(table.filter(first > tomorrow), kind, f.column, "it lies in the future", True))
    return hits


def _of_visits(data: StudyData) -> list[pl.DataFrame]:
    visits = sightings(data, repeats=True)
    first_seen = (
        with_kept(data.table("plant").select(pl.col("subject_id").alias("plant"), "first_seen_earliest"), data)
        .group_by("plant")
        .agg(pl.col("first_seen_earliest").min())
    )
    windows = data.table("round").select(pl.col("subject_id").alias("round"), "window_earliest", "window_latest")
    start, end = windows["window_earliest"].min(), windows["window_latest"].max()
    known = visits.join(first_seen, on="plant", how="left").join(windows, on="round", how="left")
    day, to = pl.col("when_earliest"), pl.col("when_latest")
    outside = (to < pl.col("window_earliest")) | (day > pl.col("window_latest"))
    beyond = pl.col("round").is_null() & ((to < pl.lit(start, pl.Date)) | (day > pl.lit(end, pl.Date)))
    swapped = (day.dt.month() == to.dt.day()) & (day.dt.day() == to.dt.month()) & (day != to)
    coarse = written("when").str.len_chars() > len("2003-10-17")
    wide = coarse & ((to - day).dt.total_days() > _SPAN_DAYS)
    rules = {
        "it is older than the day on which the plant was first seen": to < pl.col("first_seen_earliest"),
        "it lies outside the window of its round": outside,
        "it lies outside all rounds of the study": beyond,
        "it lies more than ten years from all other visits": day.is_in(_lonely(visits)),
        "it can mean two days": coarse & swapped,
        "it can mean any day of more than a month": wide & ~swapped,
    }
    return [_hits(known.filter(rule), "visit", "when", reason, False) for reason, rule in rules.items()]


def _lonely(visits: pl.DataFrame) -> list[date]:
    """Give the days that stand in a group of less than a hundredth of the visits, ten years from the rest."""
    days = visits.drop_nulls("when_earliest").group_by("when_earliest").len().sort("when_earliest")
    new = (pl.col("when_earliest").diff().dt.total_days() > _FAR_DAYS).fill_null(False)
    share = pl.col("len").sum().over("group") / pl.col("len").sum()
    lonely = days.with_columns(new.cum_sum().alias("group")).filter(share < _RARE)
    return lonely["when_earliest"].to_list()


def _finding(rows: list[Row]) -> Finding:
    told = [f"{row['kind'].replace('_', ' ')} {row['column']} {row['told']}: {row['reason']}" for row in rows]
    return Finding(
        code=CHECK.code,
        severity="error" if any(row["grave"] for row in rows) else "warning",
        where=tuple(where(row, row["kind"], row["column"]) for row in rows),
        found=f"A date cannot be right: {listing(told)}.",
        expected="A date within the study that means one day, month or year.",
        remedy="Correct the date; write it as coarsely as it is known.",
        subjects=(rows[0]["owner"],),
        values=tuple(told),
    )


CHECK = Check(
    code="impossible_date",
    title="A date cannot be right, or can mean two things",
    severity="error",
    kinds=("plant", "visit", "round"),
    run=run,
)
