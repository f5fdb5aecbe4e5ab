"""A visit is dated after the plant's confirmed death.

What is wrong
-------------
The plant was confirmed dead, and a later visit looked for it again and found nothing alive, or found it dead once more.
Then it is not clear which date the death has: the later row may be a slip, or the first one was not sure.

An example that fails
---------------------
| plant | visit | status         |
|-------|-------|----------------|
| 82    | 2003  | dead confirmed |
| 82    | 2005  | dead confirmed |

The better form
---------------
Where the first look was not sure, its status should be "no live tissue", and the second one confirms. Where the later
row was only carried along on the sheet, withdraw it.

What it does not see
--------------------
A plant seen alive after its death, which is another check. Rows that say "not visited" do not count.

Source
------
Common practice, no source: a stake is kept until the plant was seen dead more than once.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.sightings import sightings
from domatia.checks.written import at, listing
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find visits without a live plant that begin after a confirmed death."""
    dead = (pl.col("status") == "dead confirmed").fill_null(False)
    death = pl.col("when_latest").filter(dead).min().over("plant")
    after = (
        sightings(data)
        .with_columns(death.alias("_death"))
        .filter((pl.col("when_earliest") > pl.col("_death")) & ~pl.col("alive"))
        .filter(pl.col("status").ne_missing("not visited"))
    )
    return tuple(_finding(rows) for rows in grouped(labelled(after, data), "plant"))


def _finding(rows: list[Row]) -> Finding:
    death = rows[0]["_death"].isoformat()
    told = [f"{row['status'] or 'no status'} {at(row['written'])}" for row in rows]
    return Finding(
        code=CHECK.code,
        severity="note",
        where=wheres(rows, "visit", "status"),
        found=f"Confirmed dead by {death}, and then visited again: {listing(told)}.",
        expected="No visit after a confirmed death.",
        remedy="If the first look was not sure, change it to no live tissue; withdraw rows that were carried along.",
        subjects=(rows[0]["plant"],),
        values=(death, *told),
    )


CHECK = Check(
    code="visit_after_death",
    title="A visit is dated after the plant's confirmed death",
    severity="note",
    kinds=("visit", "plant"),
    run=run,
)
