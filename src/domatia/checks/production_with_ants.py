"""Nectar production was measured while ants could drink.

What is wrong
-------------
Production is what gathers in a bag with ants kept off. Where ants could drink, what is left is neither production nor a
proper standing crop.

An example that fails
---------------------
| plant | kind       | ants_excluded | bagged_h | volume_ul |
|-------|------------|---------------|----------|-----------|
| 82    | production | no            | 24       | 0.4       |

The better form
---------------
Keep ants off with a bag and a sticky ring and measure again; or, if the nectar was taken without a bag, call it
standing crop.

What it does not see
--------------------
Ants that got in and were not noticed.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, number, where
from domatia.checks.naming import labelled
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find production with ants not excluded."""
    made = pl.col("kind") == "production"
    hits = data.table("nectar").filter(made & ~pl.col("ants_excluded"))
    rows = labelled(hits, data).sort("label", "subject_id")
    return tuple(_finding(row) for row in rows.iter_rows(named=True))


def _finding(row: Row) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=(where(row, "nectar", "ants_excluded"),),
        found=f"Production over {number(row['bagged_h'])} hours, ants not kept off.",
        expected="Ants kept off while nectar gathers.",
        remedy="Compare the sheet; correct the kind or the exclusion. Until then the nectar is left out of answers.",
        subjects=(row["subject_id"],),
        values=(number(row["bagged_h"]),),
    )


CHECK = Check(
    code="production_with_ants",
    title="Nectar production was measured while ants could drink",
    severity="warning",
    kinds=("nectar", "plant"),
    run=run,
)
