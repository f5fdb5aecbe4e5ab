"""A visit is dated before the plant got its first tag.

What is wrong
-------------
The plant was visited on a day on which it did not bear any tag yet. The date of the visit or of the tag is wrong, or
the row belongs to another plant that bore the number before.

An example that fails
---------------------
| tag 82 of plant a, borne from 2003-10-17 | visit of plant a on 2002-10-20 |

The better form
---------------
Correct the date that is wrong. A plant that was known before it was tagged has a first tag record (a paint mark, a map
number) that starts when it was first seen.

What it does not see
--------------------
Plants without tags, and plants one of whose tags has no first day. Visits and tags within one and the same date (such
as one year) are not put in order. Rows that say "not visited" do not count.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.one_plant import with_kept
from domatia.checks.sightings import sightings
from domatia.checks.written import at, listing
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find visits that end before the plant's first tag begins."""
    first = (
        with_kept(data.table("tag"), data)
        .filter(pl.col("plant").is_not_null())
        .group_by("plant")
        .agg(pl.col("borne_earliest").min().alias("_tagged"), pl.col("borne_earliest").has_nulls().alias("_open"))
        .filter(~pl.col("_open") & pl.col("_tagged").is_not_null())
    )
    early = (
        sightings(data)
        .filter(pl.col("status").ne_missing("not visited"))
        .join(first, on="plant", maintain_order="left")
        .filter(pl.col("when_latest") < pl.col("_tagged"))
    )
    return tuple(_finding(rows) for rows in grouped(labelled(early, data), "plant"))


def _finding(rows: list[Row]) -> Finding:
    tagged = rows[0]["_tagged"].isoformat()
    times = [row["written"] for row in rows]
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "visit", "when"),
        found=f"Visited {listing([at(d) for d in times])}, yet its first tag was put on no earlier than {tagged}.",
        expected="The first visit is not older than the first tag.",
        remedy="Correct the date of the visit or of the tag, or give the visit to the plant that it belongs to.",
        subjects=(rows[0]["plant"],),
        values=(tagged, *times),
    )


CHECK = Check(
    code="visit_before_tagging",
    title="A visit is dated before the plant got its first tag",
    severity="warning",
    kinds=("visit", "tag", "plant"),
    run=run,
)
