"""A plant was not found, and found again later.

What is wrong
-------------
Nothing, as a rule: plants are overlooked, hidden under litter or cut to the stub, and turn up again. Yet each such
plant shows that "not found" is not "dead", and the share of them tells how well the crew finds plants.

An example that fails
---------------------
| plant | 2001  | 2002      | 2003  |
|-------|-------|-----------|-------|
| 82    | alive | not found | alive |

The better form
---------------
The record stays as it is. If the crew did not search the plot in 2002, or could not reach the plant, the status of
that visit should say so: "not visited" or "unsearchable". If the plant of 2003 is another one, give it a record of its
own.

What it does not see
--------------------
"Not found" in a place and round that was not searched (the place visit says so, or under 5 % of the place's listed
plants were seen) is left out here; see the check of places not visited. A plant found dead after a "not found" is not
found again: see the check of deaths after a gap.

Source
------
Common practice, no source. The method of detecting plants from such records is that of capture and recapture.
"""

import polars as pl

from domatia.checks.effort import with_search
from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.sightings import sightings
from domatia.checks.written import at, listing
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find plants seen alive after a visit that did not find them in a place that was searched."""
    visits = with_search(data, sightings(data)).filter(pl.col("when_earliest").is_not_null())
    last_alive = pl.col("when_earliest").filter(pl.col("alive")).max().over("plant")
    missed = visits.filter(
        (pl.col("status") == "not found") & pl.col("really") & (last_alive > pl.col("when_latest"))
    ).select(pl.col("plant"), pl.col("when_latest").alias("_missed"))
    if missed.is_empty():
        return ()
    first_missed = missed.group_by("plant").agg(pl.col("_missed").min())
    rows = visits.join(first_missed, on="plant", how="inner")
    unfound = (pl.col("status") == "not found") & pl.col("really") & (last_alive > pl.col("when_latest"))
    again = pl.col("alive") & (pl.col("when_earliest") > pl.col("_missed"))
    first_again = pl.col("when_earliest").filter(again).min().over("plant")
    rows = rows.with_columns(first_again.alias("_again")).filter(
        unfound | (again & (pl.col("when_earliest") == pl.col("_again")))
    )
    return tuple(_finding(group) for group in grouped(labelled(rows, data), "plant"))


def _finding(rows: list[Row]) -> Finding:
    missed = [row for row in rows if not row["alive"]]
    again = [row for row in rows if row["alive"]]
    times = listing([at(row["written"]) for row in missed])
    return Finding(
        code=CHECK.code,
        severity="note",
        where=wheres([*missed, *again[:1]], "visit", "status"),
        found=f"Not found {times}, and first found alive again {at(again[0]['written'])}.",
        expected="A plant that lives is found at each search of its place.",
        remedy="Leave it if the plant was overlooked; if nobody searched for it, change the status to not visited.",
        subjects=(rows[0]["plant"],),
        values=(*(row["written"] for row in missed), again[0]["written"]),
    )


CHECK = Check(
    code="not_found_then_found",
    title="A plant was not found, and found again later",
    severity="note",
    kinds=("visit", "plant", "place_visit"),
    run=run,
)
