"""A plant recorded as dead was seen alive later.

What is wrong
-------------
A visit confirmed the death, and a later visit measured the plant. One of the two is wrong: the plant was dormant or
cut to the stub, the death belongs to a neighbour, or the later row belongs to another plant with a like tag.

An example that fails
---------------------
| plant | visit | status         | height_cm |
|-------|-------|----------------|-----------|
| 82    | 2003  | dead confirmed |           |
| 82    | 2004  | alive          | 31        |

The better form
---------------
If it is the same plant, correct the status of 2003 to "no live tissue" or "not found". If the plant of 2004 is another
one, give it a record of its own, with "resprout of" where it grew from the old stump.

What it does not see
--------------------
A death seen once as "no live tissue" and a later shoot: that is resprouting and no contradiction. A death and a
sighting within one and the same date (such as one year) are not put in order.

Source
------
Common practice, no source: a death needs two visits without live tissue, or a reason.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.sightings import sightings
from domatia.checks.written import at, listing
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find plants seen alive after a confirmed death."""
    visits = sightings(data)
    dead = pl.col("status") == "dead confirmed"
    first_death = pl.col("when_latest").filter(dead).min().over("plant")
    last_alive = pl.col("when_earliest").filter(pl.col("alive")).max().over("plant")
    death = dead & (pl.col("when_latest") < last_alive)
    back = pl.col("alive") & (pl.col("when_earliest") > first_death)
    rows = visits.filter((death | back).fill_null(False))
    return tuple(_finding(group) for group in grouped(labelled(rows, data), "plant"))


def _finding(rows: list[Row]) -> Finding:
    deaths = [row["written"] for row in rows if not row["alive"]]
    sights = [row["written"] for row in rows if row["alive"]]
    return Finding(
        code=CHECK.code,
        severity="error",
        where=wheres(rows, "visit", "status"),
        found=f"Dead {listing([at(d) for d in deaths])}, yet alive {listing([at(d) for d in sights])}.",
        expected="A dead plant stays dead.",
        remedy="Correct the visit that is wrong, or give the plant seen later a record of its own.",
        subjects=(rows[0]["plant"],),
        values=("dead", *deaths, "alive", *sights),
    )


CHECK = Check(
    code="back_from_the_dead",
    title="A plant recorded as dead was seen alive later",
    severity="error",
    kinds=("visit", "plant"),
    run=run,
)
