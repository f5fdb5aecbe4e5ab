"""Food bodies weigh something although none were counted.

What is wrong
-------------
None were counted and yet they weigh something, or some were counted and weigh nothing. One of the two is of another
collection, or the balance could not show so little.

An example that fails
---------------------
| plant | when       | bodies | dry_mg |
|-------|------------|--------|--------|
| 82    | 2003-05-01 | 0      | 3.1    |

The better form
---------------
Compare the sheet. Weigh many bodies together where one is too light for the balance; leave blank what was not weighed.

What it does not see
--------------------
Masses that are too large or small for the number counted.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, number, where
from domatia.checks.naming import labelled
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find mass without bodies and bodies without mass."""
    none_weigh = (pl.col("bodies") == 0) & (pl.col("dry_mg") > 0)
    weightless = (pl.col("bodies") > 0) & (pl.col("dry_mg") == 0)
    hits = data.table("food_bodies").filter(none_weigh | weightless)
    rows = labelled(hits, data).sort("label", "subject_id")
    return tuple(_finding(row) for row in rows.iter_rows(named=True))


def _finding(row: Row) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="error",
        where=(where(row, "food_bodies", "dry_mg"),),
        found=f"{row['bodies']:,} food bodies of {number(row['dry_mg'])} mg.",
        expected="No mass without bodies, and no bodies without mass.",
        remedy="Compare the sheet; leave the mass blank if it was not weighed.",
        subjects=(row["subject_id"],),
        values=(str(row["bodies"]), number(row["dry_mg"])),
    )


CHECK = Check(
    code="mass_without_bodies",
    title="Food bodies weigh something although none were counted",
    severity="error",
    kinds=("food_bodies", "plant"),
    run=run,
)
