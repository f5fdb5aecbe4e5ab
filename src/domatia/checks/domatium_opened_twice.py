"""One domatium of a plant was opened twice.

What is wrong
-------------
Two dissections of a plant on one day tell of the same rank from the tip. A domatium can be opened once: a row was
entered twice, or the rank or the branch was mistaken.

An example that fails
---------------------
| plant | when       | rank | workers |
|-------|------------|------|---------|
| 82    | 2003-05-01 | 3    | 14      |
| 82    | 2003-05-01 | 3    | 9       |

The better form
---------------
Withdraw the row entered twice, or correct the rank. Where several branches were opened, count ranks on through them.

What it does not see
--------------------
The same domatium written down with two ranks.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.written import listing
from domatia.model import Check, Finding, StudyData

_ONE = ("plant", "when_earliest", "when_latest", "rank")


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find ranks that a plant has twice on one day."""
    table = data.table("dissection").filter(pl.all_horizontal(pl.col(c).is_not_null() for c in _ONE))
    hits = table.filter(pl.len().over(_ONE) > 1)
    return tuple(_finding(rows) for rows in grouped(labelled(hits, data), *_ONE))


def _finding(rows: list[Row]) -> Finding:
    told = ["workers not counted" if r["workers"] is None else f"{r['workers']:,} workers" for r in rows]
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "dissection", "rank"),
        found=f"Domatium {rows[0]['rank']} was opened {len(rows)} times ({rows[0]['written']}): {listing(told)}.",
        expected="Each domatium of a plant once.",
        remedy="Withdraw the row entered twice, or correct the rank.",
        subjects=tuple(sorted(r["subject_id"] for r in rows)),
        values=(str(rows[0]["rank"]), *sorted(told)),
    )


CHECK = Check(
    code="domatium_opened_twice",
    title="One domatium of a plant was opened twice",
    severity="warning",
    kinds=("dissection", "plant"),
    run=run,
)
