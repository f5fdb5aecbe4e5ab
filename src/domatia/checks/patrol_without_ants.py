"""Ants patrolled a plant that a look found without ants.

What is wrong
-------------
Ants were counted on patrol although the last look, not more than a month before, had found the plant without workers.
The look overlooked a colony, a new one came since, or the count is of another plant or of passing ants.

An example that fails
---------------------
| plant | when       | what                  |
|-------|------------|-----------------------|
| 82    | 2003-05-01 | looked, no ants       |
| 82    | 2003-05-03 | 14 ants in a gate count |

The better form
---------------
Look again. If the ants were visitors, say so in a remark and settle this; if a colony was overlooked, correct the look.

What it does not see
--------------------
Looks older than a month, and plants on which ants were taken off since the look.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, where
from domatia.checks.naming import labelled
from domatia.histories.looks import VACANT, looks
from domatia.histories.moments import position
from domatia.model import Check, Finding, StudyData

_MONTH = 31.0


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find counts above nought on plants that a look of the last month found vacant."""
    seen = looks(data).filter(pl.col("looked") & (pl.col("state") == VACANT)).select("plant", look="t", t="t")
    other = looks(data).filter(pl.col("looked")).select("plant", last="t", t="t").sort("t")
    counts = data.table("patrol").filter(pl.col("ants") > 0).with_columns(t=position())
    counts = counts.filter(pl.col("t").is_not_null() & pl.col("plant").is_not_null()).sort("t")
    for table in (seen.sort("t"), other):
        counts = counts.join_asof(table, on="t", by="plant", strategy="backward", check_sortedness=False)
    fresh = (pl.col("look") == pl.col("last")) & (pl.col("t") - pl.col("look") <= _MONTH)
    hits = counts.filter(fresh).with_columns(days=(pl.col("t") - pl.col("look")).round().cast(pl.Int64))
    rows = labelled(hits, data).sort("label", "subject_id")
    return tuple(_finding(row) for row in rows.iter_rows(named=True))


def _finding(row: Row) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=(where(row, "patrol", "ants"),),
        found=f"{row['ants']:,} ants in a {row['method']} count, {row['days']} days after a look found none.",
        expected="No ants on patrol where none live, or a look that found them.",
        remedy="Look again; correct the look or the count, or settle this if the ants were visitors.",
        subjects=(row["subject_id"],),
        values=(str(row["ants"]), str(row["days"])),
    )


CHECK = Check(
    code="patrol_without_ants",
    title="Ants patrolled a plant that a look found without ants",
    severity="warning",
    kinds=("patrol", "visit", "plant"),
    run=run,
)
