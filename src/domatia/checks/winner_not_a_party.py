"""The winner of a fight is no party to it, or has nobody left.

What is wrong
-------------
A fight names the side that won. That side's colony is not in the record, both sides are the same colony, or all of the
winner's workers died while the other side had some left.

An example that fails
---------------------
| colony_a | colony_b | workers_a | workers_b | dead_a | dead_b | winner |
|----------|----------|-----------|-----------|--------|--------|--------|
| C1       | C2       | 20        | 20        | 20     | 4      | a      |

The better form
---------------
Look at the sheet: as a rule the sides were swapped. Write "none" where nobody won, and why the fight ended.

What it does not see
--------------------
Two colonies that are mixed up but both have workers left.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.fighters import fighters
from domatia.checks.gather import Row, where
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find fights whose winner cannot have won."""
    rows = fighters(data)
    first = pl.col("winner") == "a"
    named = pl.when(first).then(pl.col("name_a").is_not_null()).otherwise(pl.col("name_b").is_not_null())
    gone_a = (pl.col("dead_a") >= pl.col("workers_a")).fill_null(False)
    gone_b = (pl.col("dead_b") >= pl.col("workers_b")).fill_null(False)
    emptied = pl.when(first).then(gone_a & ~gone_b).otherwise(gone_b & ~gone_a)
    itself = (pl.col("colony_a") == pl.col("colony_b")).fill_null(False)
    told = (
        pl.when(itself)
        .then(pl.lit("the same colony stands on both sides"))
        .when(pl.col("winner").is_in(["a", "b"]) & ~named)
        .then(pl.format("side {} won, but its colony is not in the study", "winner"))
        .when(pl.col("winner").is_in(["a", "b"]) & emptied)
        .then(pl.format("side {} won, but all of its workers died and the other side had some left", "winner"))
    )
    hits = rows.with_columns(told=told).filter(pl.col("told").is_not_null()).sort("label", "subject_id")
    return tuple(_finding(row) for row in hits.iter_rows(named=True))


def _finding(row: Row) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="error",
        where=(where(row, "fight", "winner"),),
        found=f"{row['told'][0].upper()}{row['told'][1:]}.",
        expected="Two different colonies, and a winner with workers left.",
        remedy="Compare the sheet; correct the winner or the colony. Until then the fight's outcome is doubtful.",
        subjects=(row["subject_id"],),
        values=(row["told"],),
    )


CHECK = Check(
    code="winner_not_a_party",
    title="The winner of a fight is no party to it, or has nobody left",
    severity="error",
    kinds=("fight", "colony"),
    run=run,
)
