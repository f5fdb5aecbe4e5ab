"""A removal plant has ants.

What is wrong
-------------
A plant assigned to removal was seen with a live queen or colony after its ants had been taken off. It was recolonised,
or the removal did not work. Until it is treated again it does not show what a plant without ants does.

An example that fails
---------------------
| plant | treatment | removed    | visit      | ant              | stage       |
|-------|-----------|------------|------------|------------------|-------------|
| 82    | removal   | 2003-02-01 | 2003-05-01 | slender patroller | patrolling |

The better form
---------------
Treat the plant again, and record it as an intervention. The record of the visit stays: the answers show how long
removal plants were free of ants, as assigned and as occupied.

What it does not see
--------------------
Visits at which nobody looked. Visits on the day of the removal, and within the same month or year where dates are no
finer. The first removal recorded for the plant counts, or else the start of its treatment; with neither, all its
visits.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.occupants import occupants
from domatia.checks.treated import removals
from domatia.checks.written import at, listing
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find live ants on removal plants after the removal."""
    free = removals(data)
    rows = (
        occupants(data)
        .filter(pl.col("lives"))
        .join(free, on="plant")
        .filter(pl.col("free_latest").is_null() | (pl.col("when_earliest") > pl.col("free_latest")))
    )
    return tuple(_finding(group) for group in grouped(labelled(rows, data), "plant"))


def _finding(rows: list[Row]) -> Finding:
    told = [f"{row['ant']} ({row['stage'] or 'no stage'}) {at(row['written'])}" for row in rows]
    since = rows[0]["free_latest"]
    after = f" after the removal by {since.isoformat()}" if since else ""
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "occupancy", "stage"),
        found=f"A removal plant was held{after}: {listing(told)}.",
        expected="No live ants on a removal plant.",
        remedy="Treat it again and record it; the answers tell how long removal plants were free of ants.",
        subjects=(rows[0]["plant"],),
        values=(str(since), *sorted(told)),
    )


CHECK = Check(
    code="occupied_removal",
    title="A removal plant has ants",
    severity="warning",
    kinds=("occupancy", "visit", "assignment", "treatment", "intervention"),
    run=run,
)
