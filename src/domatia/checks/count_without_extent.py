"""A count of patrolling ants does not say over what it was made.

What is wrong
-------------
A scan counts the ants on a marked length, a gate count those that cross a line in a time. Without the length, or the
time, the number cannot be compared with any other.

An example that fails
---------------------
| plant | method | length_cm | seconds | ants |
|-------|--------|-----------|---------|------|
| 82    | scan   |           | 60      | 12   |

The better form
---------------
Write the length of each scan and the time of each gate count. If the method was mistaken, correct it.

What it does not see
--------------------
A length or a time that was written but not kept to. Where no scan of the study has a length, scans are taken as of one
leaf each.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, where
from domatia.checks.naming import labelled
from domatia.model import Check, Finding, StudyData

_LACKING = {"scan": "length", "gate": "time"}


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find scans without a length and gate counts without a time."""
    table = data.table("patrol")
    by_length = table.filter(pl.col("method") == "scan")["length_cm"].count() > 0
    lacks_length = (pl.col("method") == "scan") & ~(pl.col("length_cm") > 0).fill_null(False)
    lacks_time = (pl.col("method") == "gate") & ~(pl.col("seconds") > 0).fill_null(False)
    hits = table.filter(pl.col("ants").is_not_null() & ((lacks_length & by_length) | lacks_time))
    rows = labelled(hits, data).sort("label", "subject_id")
    return tuple(_finding(row) for row in rows.iter_rows(named=True))


def _finding(row: Row) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=(where(row, "patrol", "method"),),
        found=f"A {row['method']} count of {row['ants']:,} ants without its {_LACKING[row['method']]}.",
        expected="The length of a scan, the time of a gate count.",
        remedy="Look for it on the sheet. Until then the count is left out of answers.",
        subjects=(row["subject_id"],),
        values=(row["method"], str(row["ants"])),
    )


CHECK = Check(
    code="count_without_extent",
    title="A count of patrolling ants does not say over what it was made",
    severity="warning",
    kinds=("patrol", "plant"),
    run=run,
)
