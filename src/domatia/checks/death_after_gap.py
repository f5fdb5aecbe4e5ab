"""A death was found after a gap in the plant's visits.

What is wrong
-------------
Between the last visit that saw the plant alive and the one that found it dead lies more than the usual time: rounds in
which it was not found, its place was not searched, or no row exists. The death happened somewhere within that gap. An
analysis that dates it to the visit which found it makes the plant live too long.

An example that fails
---------------------
| plant | 2001  | 2002      | 2003      | 2004           |
|-------|-------|-----------|-----------|----------------|
| 82    | alive | not found | not found | dead confirmed |

The better form
---------------
The records stay as they are: death is known to lie between 2001 and 2004, and the answers on survival use just that. If
a note or a photograph narrows it down, add a visit with "no live tissue" at that date.

What it does not see
--------------------
Gaps no longer than one and a half times the study's usual time (the median) between two visits of a plant, unless a
visit within the gap did not find or reach the plant.

Source
------
Common practice, no source; on deaths known only to an interval see Turnbull 1976, Journal of the Royal Statistical
Society B 38:290 (from memory).
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.sightings import sightings
from domatia.checks.written import at, listing
from domatia.model import Check, Finding, StudyData

_LONG = 1.5


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find deaths that lie in a gap longer than usual, or in one with visits that did not see the plant."""
    visits = sightings(data).filter(pl.col("when_earliest").is_not_null())
    same = pl.col("plant").shift(1) == pl.col("plant")
    between = (pl.col("when_earliest") - pl.col("when_earliest").shift(1)).dt.total_days()
    usual = visits.select(between.filter(same & (between > 0)).median()).item()
    dead = (pl.col("status") == "dead confirmed").fill_null(False)
    told = visits.with_columns(pl.col("when_earliest").filter(dead).min().over("plant").alias("_death")).filter(
        pl.col("when_earliest") <= pl.col("_death")
    )
    seen = pl.col("alive") | (pl.col("status") == "no live tissue").fill_null(False)
    last = pl.col("when_earliest").filter(seen & (pl.col("when_earliest") < pl.col("_death"))).max().over("plant")
    gap = told.with_columns(last.alias("_last")).filter(pl.col("when_earliest") >= pl.col("_last"))
    unseen = pl.col("status").is_in(["not found", "unsearchable", "not visited"]).fill_null(False)
    long = (pl.col("_death") - pl.col("_last")).dt.total_days() > _LONG * (usual or 0)
    rows = gap.filter(unseen.any().over("plant") | long).with_columns(seen.alias("seen"), dead.alias("dead"))
    return tuple(_finding(group) for group in grouped(labelled(rows, data), "plant"))


def _finding(rows: list[Row]) -> Finding:
    before = [row for row in rows if row["seen"]]
    death = next(row for row in rows if row["dead"])
    missed = [
        f"{row['status'] or 'no status'} {at(row['written'])}" for row in rows if not row["seen"] and not row["dead"]
    ]
    how = f"between them {listing(missed)}" if missed else "no visit between them"
    alive = before[-1]["written"]
    return Finding(
        code=CHECK.code,
        severity="note",
        where=wheres([death, *(row for row in rows if row is not death)], "visit", "status"),
        found=f"Last seen {at(alive)} and found dead {at(death['written'])}, {how}.",
        expected="A plant is seen at each round until it dies.",
        remedy="Leave it: the death counts as lying between the two. Add a visit if a note narrows it down.",
        subjects=(rows[0]["plant"],),
        values=(alive, death["written"], *missed),
    )


CHECK = Check(
    code="death_after_gap",
    title="A death was found after a gap in the plant's visits",
    severity="note",
    kinds=("visit", "plant"),
    run=run,
)
