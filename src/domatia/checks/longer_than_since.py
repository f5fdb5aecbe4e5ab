"""Rewards gathered for longer than since the last collection.

What is wrong
-------------
A bag hung, or food bodies gathered, for more hours than have passed since the same plant was emptied before. The hours
are wrong, or one of the two dates is.

An example that fails
---------------------
| plant | when       | hours | bodies |
|-------|------------|-------|--------|
| 82    | 2003-05-01 | 24    | 12     |
| 82    | 2003-05-02 | 72    | 30     |

The better form
---------------
Write the hours since the bag was hung or the plant was cleared, and the date on which it was emptied.

What it does not see
--------------------
Hours that are wrong but shorter than the time between two collections; other branches of one plant bagged side by side.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, number, where
from domatia.checks.naming import labelled
from domatia.model import Check, Finding, StudyData

_KINDS = (("nectar", "bagged_h"), ("food_bodies", "hours"))
_DAY_H = 24.0


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find collections over more hours than since the plant's last one."""
    found = []
    for kind, column in _KINDS:
        table = data.table(kind).filter((pl.col(column) > 0) & pl.col("when_earliest").is_not_null())
        days = table.select("plant", "when_earliest", "when_latest").unique().sort("plant", "when_earliest")
        days = days.with_columns(before=pl.col("when_earliest").shift(1).over("plant"))
        rows = table.join(days, on=["plant", "when_earliest", "when_latest"], how="inner")
        # the whole of both days: a bag may hang from one morning to the next evening
        gap = ((pl.col("when_latest") - pl.col("before")).dt.total_days() + 1) * _DAY_H
        hits = rows.with_columns(gap_h=gap, hours_=pl.col(column)).filter(pl.col("hours_") > pl.col("gap_h"))
        named = labelled(hits, data).sort("label", "subject_id")
        found += [_finding(row, kind, column) for row in named.iter_rows(named=True)]
    return tuple(found)


def _finding(row: Row, kind: str, column: str) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="error",
        where=(where(row, kind, column),),
        found=f"{number(row['hours_'])} hours, though the plant was emptied on {row['before']} before.",
        expected=f"At most {number(row['gap_h'])} hours.",
        remedy="Compare the sheet; correct the hours or the date.",
        subjects=(row["subject_id"],),
        values=(number(row["hours_"]), str(row["before"]), row["written"]),
    )


CHECK = Check(
    code="longer_than_since",
    title="Rewards gathered for longer than since the last collection",
    severity="error",
    kinds=("nectar", "food_bodies", "plant"),
    run=run,
)
