"""More of a brood survived than there were larvae.

What is wrong
-------------
The survivors of a brood outnumber its larvae. One of the two was miscounted, the columns were swapped, or larvae of
another brood moved in.

An example that fails
---------------------
| plant | when       | larvae | survivors |
|-------|------------|--------|-----------|
| 82    | 2003-05-01 | 7      | 9         |

The better form
---------------
Count larvae when they hatch and survivors when they leave the plant, of one brood; leave blank what nobody counted.

What it does not see
--------------------
Larvae that moved in from another plant while as many died.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, where
from domatia.checks.naming import labelled
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find broods with more survivors than larvae."""
    hits = data.table("brood").filter(pl.col("survivors") > pl.col("larvae"))
    rows = labelled(hits, data).sort("label", "subject_id")
    return tuple(_finding(row) for row in rows.iter_rows(named=True))


def _finding(row: Row) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="error",
        where=(where(row, "brood", "survivors"),),
        found=f"{row['survivors']:,} survivors of {row['larvae']:,} larvae.",
        expected="No more survivors than larvae.",
        remedy="Compare the sheet. Until then the brood is left out of answers.",
        subjects=(row["subject_id"],),
        values=(str(row["larvae"]), str(row["survivors"])),
    )


CHECK = Check(
    code="survivors_above_larvae",
    title="More of a brood survived than there were larvae",
    severity="error",
    kinds=("brood", "plant"),
    run=run,
)
