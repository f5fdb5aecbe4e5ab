"""More of a leaf is gone in a feeding trial than was offered.

What is wrong
-------------
A feeding trial gives the leaf area offered and the area gone. More gone than there was, or a control leaf that lost
more than it had, means that areas were swapped, mistyped or written in different units.

An example that fails
---------------------
| leaf source  | when       | offered_cm2 | eaten_cm2 |
|--------------|------------|-------------|-----------|
| lantern tree | 2003-05-01 | 8.1         | 81        |

The better form
---------------
Write both areas in the same unit, as measured; the loss of the control beside its own area at the start.

What it does not see
--------------------
Areas that are wrong but possible; what remained written in place of what was eaten.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, number, where
from domatia.checks.written import written
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find leaves of which more is gone than there was."""
    offered, eaten, lost = (pl.col(c) for c in ("offered_cm2", "eaten_cm2", "control_loss_cm2"))
    told = (
        pl.when(eaten > offered).then(pl.lit("eaten_cm2"))
        .when(lost > pl.coalesce("control_offered_cm2", "offered_cm2")).then(pl.lit("control_loss_cm2"))
    )  # fmt: skip
    of = pl.col("leaf_source").fill_null("a leaf of unknown source")
    label = pl.when(pl.col("dish").is_null()).then(of).otherwise(pl.format("dish {}, {}", "dish", of))
    dated = pl.when(pl.col("when_earliest").is_null()).then(label)
    label = dated.otherwise(pl.format("{}, {}", label, written("when")))
    hits = data.table("palatability").with_columns(told=told, label=label).filter(pl.col("told").is_not_null())
    return tuple(_finding(row) for row in hits.sort("label", "subject_id").iter_rows(named=True))


def _finding(row: Row) -> Finding:
    if row["told"] == "eaten_cm2":
        there, gone, what = row["offered_cm2"], row["eaten_cm2"], "eaten"
    else:
        spare = row["control_offered_cm2"]
        there, gone = row["offered_cm2"] if spare is None else spare, row["control_loss_cm2"]
        what = "lost by the control leaf"
    return Finding(
        code=CHECK.code,
        severity="error",
        where=(where(row, "palatability", row["told"]),),
        found=f"{number(gone)} cm2 {what} of {number(there)} cm2.",
        expected="No more gone than was there.",
        remedy="Compare the sheet: decimal point, unit, or both areas swapped. Until then the leaf is left out.",
        subjects=(row["subject_id"],),
        values=(row["told"], number(gone), number(there)),
    )


CHECK = Check(
    code="eaten_above_offered",
    title="More of a leaf is gone in a feeding trial than was offered",
    severity="error",
    kinds=("palatability",),
    run=run,
)
