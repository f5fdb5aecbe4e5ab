"""Live plants have no word on whether anybody looked for ants.

What is wrong
-------------
A visit saw the plant alive, and the row on ants is missing or blank, while the crew did look at most plants of that
round. A blank may mean "looked, none", "not looked" or "forgotten"; it counts as not looked.

An example that fails
---------------------
| plant | visit   | alive | looked | ant               |
|-------|---------|-------|--------|-------------------|
| 82    | 2003-05 | yes   | yes    | slender patroller |
| 83    | 2003-05 | yes   |        |                   |

The better form
---------------
Ask the observer and the sheet. Write "looked: no", or "looked: yes" with the stage "none". The mapping file can say
what a blank means for a whole sheet.

What it does not see
--------------------
Rounds in which under half of the live plants of the whole study have such a word: there the crew did not set out to
look for ants. Where no rounds are named, a year counts as a round.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.effort import occasion
from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.occupants import occupants
from domatia.checks.place_level import place_where, with_place
from domatia.checks.sightings import sightings
from domatia.checks.written import listing, written
from domatia.model import Check, Finding, StudyData

_MOST = 0.5


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find places and rounds with live plants of which nothing is said on ants."""
    told = occupants(data).group_by("visit").agg(pl.col("tells").all())
    alive = (
        sightings(data)
        .filter(pl.col("alive"))
        .with_columns(occasion())
        .join(told.rename({"visit": "subject_id"}), on="subject_id", how="left")
        .with_columns(pl.col("tells").fill_null(False))
        .with_columns(
            pl.len().over("place", "occasion").alias("live"),
            pl.col("when_earliest").min().over("place", "occasion").alias("span_earliest"),
            pl.col("when_latest").max().over("place", "occasion").alias("span_latest"),
            pl.col("tells").mean().over("occasion").alias("share"),
        )
    )
    blank = alive.filter(
        ~pl.col("tells") & (pl.col("share") >= _MOST) & pl.col("occasion").is_not_null() & pl.col("place").is_not_null()
    ).with_columns(written("span").alias("occasion_written"))
    named = with_place(labelled(blank, data), data)
    return tuple(_finding(rows) for rows in grouped(named, "place", "occasion"))


def _finding(rows: list[Row]) -> Finding:
    first = rows[0]
    names = sorted({row["plant_name"] for row in rows})
    blank, live = len(rows), first["live"]
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=(place_where(first), *wheres(rows, "visit")),
        found=f"At {blank} of {live} visits to live plants nothing is said on ants: {listing(names)}.",
        expected="Each visit to a live plant says whether somebody looked, and what was there.",
        remedy="Write not looked, or looked and none; the mapping can say what a blank means for the sheet.",
        subjects=(first["place"], *sorted({row["plant"] for row in rows})),
        values=(first["occasion_written"], str(live), *(row["subject_id"].hex() for row in rows)),
    )


CHECK = Check(
    code="occupancy_blank",
    title="Live plants have no word on whether anybody looked for ants",
    severity="warning",
    kinds=("occupancy", "visit", "plant", "place"),
    run=run,
)
