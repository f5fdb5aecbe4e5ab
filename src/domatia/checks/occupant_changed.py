"""The occupant of a plant changed, and no vacancy was seen.

What is wrong
-------------
Nothing, if one colony took the plant from the other between two visits. But a wrong name, an ant passing by or a
swapped tag looks just the same. A plant whose first ant is back at the visit after next is more likely misnamed than
taken twice.

An example that fails
---------------------
| plant | 2001-05           | 2001-08        | 2001-11           |
|-------|-------------------|----------------|-------------------|
| 82    | slender patroller | black clubfoot | slender patroller |

The better form
---------------
Compare the specimens of both visits. Correct the name, lower its confidence, or settle the finding as a takeover; the
answer on takeovers takes the records as they stand.

What it does not see
--------------------
Changes of ants without a name; plants on which several ants were seen at one of the visits, if one of them stayed. A
vacancy between the visits that nobody saw.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.occupants import occupants
from domatia.checks.written import listing
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find plants whose named occupant differs between successive visits at which somebody looked."""
    ants = pl.col("ant").filter(pl.col("lives")).unique().sort()
    looked = (
        occupants(data)
        .filter(pl.col("looked") & pl.col("tells") & pl.col("when_earliest").is_not_null())
        .group_by("plant", "visit", "when_earliest", "when_latest", "when_instant")
        .agg(
            ants.alias("ants"),
            (pl.col("lives") & pl.col("taxon").is_null()).any().alias("unnamed"),
            pl.col("record_id", "origin_file", "origin_sheet", "origin_row", "subject_id")
            .sort_by("subject_id")
            .first(),
        )
        .sort("plant", "when_earliest", "when_latest", "when_instant", "visit", nulls_last=True)
    )
    same = pl.col("plant").shift(1) == pl.col("plant")
    after = pl.col("when_latest").shift(1) < pl.col("when_earliest")
    before = pl.when(same & after & ~pl.col("unnamed").shift(1)).then(pl.col("ants").shift(1))
    earlier = pl.when(pl.col("plant").shift(2) == pl.col("plant")).then(pl.col("ants").shift(2))
    told = looked.with_columns(before.alias("before"), earlier.alias("earlier")).filter(
        ~pl.col("unnamed")
        & (pl.col("ants").list.len() > 0)
        & (pl.col("before").list.len() > 0)
        & (pl.col("ants").list.join("|") != pl.col("before").list.join("|"))
    )
    groups = (_changes(rows) for rows in grouped(labelled(told, data), "plant"))
    return tuple(_finding(rows) for rows in groups if rows)


def _changes(rows: list[Row]) -> list[Row]:
    """Keep the visits at which none of the ants of the visit before was seen."""
    return [row for row in rows if not set(row["ants"]) & set(row["before"])]


def _finding(rows: list[Row]) -> Finding:
    told = [f"{listing(row['before'])} to {listing(row['ants'])} by {row['written']}" for row in rows]
    returned = any(set(row["ants"]) & set(row["earlier"] or ()) for row in rows)
    back = " The earlier ant came back at the next visit." if returned else ""
    return Finding(
        code=CHECK.code,
        severity="warning" if returned else "note",
        where=wheres(rows, "occupancy", "taxon"),
        found=f"The occupant changed, and no vacancy was seen: {listing(told)}.{back}",
        expected="One ant until a vacancy, or a takeover that somebody noted.",
        remedy="Compare the specimens; correct the name, or settle this as a takeover.",
        subjects=(rows[0]["plant"],),
        values=tuple(told),
    )


CHECK = Check(
    code="occupant_changed",
    title="The occupant of a plant changed, and no vacancy was seen",
    severity="warning",
    kinds=("occupancy", "visit", "taxon"),
    run=run,
)
