"""A vine or a neighbour touches a removal plant.

What is wrong
-------------
Ants walk over any stem that touches. A removal plant with a vine or a neighbour in its crown is open to ants, whatever
stands on its trunk.

An example that fails
---------------------
| plant | treatment | visit      | vines_touching |
|-------|-----------|------------|----------------|
| 82    | removal   | 2003-05-01 | 2              |

The better form
---------------
Cut the contact on the spot, on removal, sham and control plants alike (else cutting is confounded with removal), and
record it as an intervention of the kind "cutting". The number seen before cutting stays in the visit.

What it does not see
--------------------
Contacts that nobody counted; contacts before the removal; contacts of plants with other treatments.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.sightings import sightings
from domatia.checks.treated import removals
from domatia.checks.written import at, counted, listing
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find contacts counted on removal plants since the removal."""
    removed = removals(data)
    if removed.is_empty() or not data.table("visit")["vines_touching"].count():
        return ()
    rows = (
        sightings(data)
        .filter(pl.col("vines_touching") > 0)
        .join(removed, on="plant")
        .filter(pl.col("free_earliest").is_null() | (pl.col("when_latest") >= pl.col("free_earliest")))
    )
    return tuple(_finding(group) for group in grouped(labelled(rows, data), "plant"))


def _finding(rows: list[Row]) -> Finding:
    told = [f"{counted(row['vines_touching'], 'contact', 'contacts')} {at(row['written'])}" for row in rows]
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "visit", "vines_touching"),
        found=f"Vines or neighbours touch a removal plant: {listing(told)}.",
        expected="A removal plant that nothing touches.",
        remedy="Cut the contact on plants of all treatments alike, and record the cutting.",
        subjects=(rows[0]["plant"],),
        values=tuple(told),
    )


CHECK = Check(
    code="bridge",
    title="A vine or a neighbour touches a removal plant",
    severity="warning",
    kinds=("visit", "assignment", "treatment", "intervention"),
    run=run,
)
