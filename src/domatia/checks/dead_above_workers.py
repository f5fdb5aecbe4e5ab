"""More workers died in a fight than took part.

What is wrong
-------------
The dead of one side outnumber its workers. One of the two was miscounted, the columns were swapped, or workers joined
while the fight lasted.

An example that fails
---------------------
| colony_a | colony_b | workers_a | workers_b | dead_a | dead_b |
|----------|----------|-----------|-----------|--------|--------|
| C1       | C2       | 20        | 35        | 26     | 4      |

The better form
---------------
Count everybody before the fight; if more joined, write them into the workers and say so.

What it does not see
--------------------
Dead that were carried off before anybody counted, and workers counted after some had died.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.fighters import fighters
from domatia.checks.gather import Row, where
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find fights with more dead than workers on a side."""
    rows = fighters(data).sort("label", "subject_id")
    found = []
    for side in ("a", "b"):
        hits = rows.filter(pl.col(f"dead_{side}") > pl.col(f"workers_{side}"))
        found += [_finding(row, side) for row in hits.iter_rows(named=True)]
    return tuple(found)


def _finding(row: Row, side: str) -> Finding:
    dead, workers = row[f"dead_{side}"], row[f"workers_{side}"]
    return Finding(
        code=CHECK.code,
        severity="error",
        where=(where(row, "fight", f"dead_{side}"),),
        found=f"Side {side} had {workers:,} workers and {dead:,} dead.",
        expected="No more dead than workers.",
        remedy="Compare the sheet. Until then the fight is left out of answers.",
        subjects=(row["subject_id"],),
        values=(side, str(workers), str(dead)),
    )


CHECK = Check(
    code="dead_above_workers",
    title="More workers died in a fight than took part",
    severity="error",
    kinds=("fight", "colony"),
    run=run,
)
