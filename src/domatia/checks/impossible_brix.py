"""A refractometer reading is higher than nectar can have.

What is wrong
-------------
Sugar solutions that still flow hold at most some 85 % by weight; sucrose is saturated at 67 % at 20 °C. A higher
reading is a slip of the pen, a reading of per cent by volume, or one of a dried film.

An example that fails
---------------------
| plant | when       | volume_ul | brix_pct |
|-------|------------|-----------|----------|
| 82    | 2003-05-01 | 1.2       | 92       |

The better form
---------------
Compare the sheet. Dilute thick nectar by a known factor, read that and write the dilution.

What it does not see
--------------------
Readings that are too high for the plant but possible at all; the profile's plausible range is for those.

Source
------
Saturation of sucrose: NBS Circular 440 (1942), table 69 (from memory).
"""

import polars as pl

from domatia.checks.gather import Row, number, where
from domatia.checks.naming import labelled
from domatia.model import Check, Finding, StudyData

MOST = 85.0


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find readings above 85 per cent."""
    hits = data.table("nectar").filter(pl.col("brix_pct") > MOST)
    rows = labelled(hits, data).sort("label", "subject_id")
    return tuple(_finding(row) for row in rows.iter_rows(named=True))


def _finding(row: Row) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="error",
        where=(where(row, "nectar", "brix_pct"),),
        found=f"A reading of {number(row['brix_pct'])} %.",
        expected="At most 85 % by weight.",
        remedy="Compare the sheet and correct it. Until then the nectar is left out of answers.",
        subjects=(row["subject_id"],),
        values=(number(row["brix_pct"]),),
    )


CHECK = Check(
    code="impossible_brix",
    title="A refractometer reading is higher than nectar can have",
    severity="error",
    kinds=("nectar", "plant"),
    run=run,
)
