"""A plant bears more larvae of the enemy than eggs were laid.

What is wrong
-------------
A brood record counts eggs and the larvae that came of them. More larvae than eggs means that eggs were overlooked, that
empty shells were not counted as eggs, or that the two numbers are of different broods.

An example that fails
---------------------
| plant | when       | eggs | larvae |
|-------|------------|------|--------|
| 82    | 2003-05-01 | 12   | 19     |

The better form
---------------
Count hatched shells as eggs; write larvae of another brood into a record of their own; leave eggs blank where nobody
counted them.

What it does not see
--------------------
Eggs overlooked where fewer than their number hatched.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, where
from domatia.checks.naming import labelled
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find broods with more larvae than eggs."""
    hits = data.table("brood").filter(pl.col("larvae") > pl.col("eggs"))
    rows = labelled(hits, data).sort("label", "subject_id")
    return tuple(_finding(row) for row in rows.iter_rows(named=True))


def _finding(row: Row) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="error",
        where=(where(row, "brood", "larvae"),),
        found=f"{row['larvae']:,} larvae of {row['eggs']:,} eggs.",
        expected="No more larvae than eggs.",
        remedy="Compare the sheet; if the eggs were not all counted, leave them blank.",
        subjects=(row["subject_id"],),
        values=(str(row["eggs"]), str(row["larvae"])),
    )


CHECK = Check(
    code="larvae_above_eggs",
    title="A plant bears more larvae of the enemy than eggs were laid",
    severity="error",
    kinds=("brood", "plant"),
    run=run,
)
