"""A barrier was not looked at in time.

What is wrong
-------------
Leaves, dust and dead insects bridge a sticky band within days. Between two looks at a barrier, or between the last look
and the plant's last visit, lies more time than the profile's `barrier_days`. In that time the plant may have had ants.

An example that fails
---------------------
| plant | barrier    | checked    | checked    |
|-------|------------|------------|------------|
| 82    | 2003-02-01 | 2003-02-12 | 2003-04-30 |

(With `barrier_days = 14`.)

The better form
---------------
Plan the looks, and record each as "barrier checked", also those at which nothing had to be done. A barrier given up
ends with a note on the intervention.

What it does not see
--------------------
Looks that nobody recorded; a barrier that was taken away without a record. Where dates are coarser than a day, only the
time that has certainly passed counts.

Source
------
Common practice, no source: bands are checked every one or two weeks.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.sightings import sightings
from domatia.checks.treated import on_plants
from domatia.checks.written import listing
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find gaps between looks at a barrier that are longer than the profile allows."""
    looks = on_plants(data).filter(
        pl.col("kind").is_in(["barrier", "barrier checked"]) & pl.col("when_earliest").is_not_null()
    )
    last = sightings(data).filter(pl.col("alive")).group_by("plant").agg(pl.col("when_earliest").max().alias("_until"))
    ordered = looks.join(last, on="plant", how="left").sort(
        "plant", "when_earliest", "when_latest", "when_instant", "subject_id", nulls_last=True
    )
    same = pl.col("plant").shift(-1) == pl.col("plant")
    following = pl.when(same).then(pl.col("when_earliest").shift(-1)).otherwise(pl.col("_until"))
    waited = (following - pl.col("when_latest")).dt.total_days()
    overdue = ordered.with_columns(following.alias("next"), waited.alias("days"), same.fill_null(False).alias("looked"))
    overdue = overdue.filter(pl.col("days") > data.profile.barrier_days)
    allowed = data.profile.barrier_days
    return tuple(_finding(rows, allowed) for rows in grouped(labelled(overdue, data), "plant"))


def _finding(rows: list[Row], allowed: float) -> Finding:
    told = [
        f"{row['days']} days from {row['written']} to {'the next look' if row['looked'] else 'the last visit'}"
        for row in rows
    ]
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "intervention", "when"),
        found=f"The barrier was not looked at for {listing(told)}.",
        expected=f"A look at least every {allowed:g} days.",
        remedy="Record looks that were made; otherwise the plant may have had ants in that time.",
        subjects=(rows[0]["plant"],),
        values=(f"{allowed:g}", *told),
    )


CHECK = Check(
    code="barrier_overdue",
    title="A barrier was not looked at in time",
    severity="warning",
    kinds=("intervention", "visit", "plant"),
    run=run,
)
