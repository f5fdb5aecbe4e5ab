"""A place was not searched, yet its plants are recorded as not found.

What is wrong
-------------
The place visit says that nobody searched there, or under 5 % of the plants listed for the place have any status but
"not found": then nearly all of them were not looked for. "Not found" would count them as missed or dead. Where the
place was searched in part only, "not found" does not say whether that part was searched. And where the place visit says
"not", a plant with measures contradicts it.

An example that fails
---------------------
| plot | year | plants listed | alive | not found |
|------|------|---------------|-------|-----------|
| CF-6 | 2000 | 235           | 2     | 233       |

The better form
---------------
A place visit for that round that says "not" or "partly", and for the plants nobody looked for the status "not visited".
What was measured stays. The mapping file can say it for a whole place and round.

What it does not see
--------------------
A place of which more than 5 % of the plants were seen and no place visit says how far it was searched. Where no rounds
are named, a year counts as a round.

Source
------
Common practice, no source; the 5 % are our own rule, and each case is for a person to decide.
"""

import polars as pl

from domatia.checks.effort import occasion, searches
from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.place_level import place_where, with_place
from domatia.checks.sightings import sightings
from domatia.checks.written import counted, written
from domatia.model import Check, Finding, StudyData
from domatia.model.finding import Severity


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find places and rounds whose plants were not, or not all, looked for."""
    visits = sightings(data)
    effort = searches(data, visits)
    unsearched = (pl.col("said") == "not").fill_null(False)
    doubtful = effort.filter(
        (pl.col("unseen") > 0) & (unsearched | pl.col("hardly") | (pl.col("said") == "partly").fill_null(False))
        | unsearched & (pl.col("seen") > 0)
    ).with_columns(written("when").alias("occasion_written"))
    told = doubtful.select("place", "occasion", "listed", "seen", "unseen", "said", "occasion_written")
    rows = (
        visits.with_columns(occasion())
        .join(told, on=["place", "occasion"])
        .filter(
            (pl.col("status") == "not found").fill_null(False)
            | (pl.col("alive") & (pl.col("said") == "not").fill_null(False))
        )
    )
    named = with_place(labelled(rows, data), data)
    return tuple(_finding(group) for group in grouped(named, "place", "occasion"))


def _finding(rows: list[Row]) -> Finding:
    first = rows[0]
    unseen, seen, listed, said = first["unseen"], first["seen"], first["listed"], first["said"]
    plants = counted(listed, "plant", "plants")
    severity: Severity = "error"
    if said == "not":
        found = f"The place visit says that nobody searched, yet {seen} of {plants} are seen, {unseen} not found."
        remedy = "Give the plants nobody looked for the status not visited, or correct the place visit."
    elif said == "partly" and seen:
        severity = "note"
        found = f"The place was searched in part, and {unseen} of {plants} are recorded as not found."
        remedy = "Give the plants of the unsearched part the status not visited, and settle this for the others."
    else:
        severity = "warning"
        found = f"Of {plants} listed {seen or 'none'} {'has' if seen < 2 else 'have'} any status but not found."
        remedy = "Say for this place and round how far it was searched, in the mapping or by a place visit."
    return Finding(
        code=CHECK.code,
        severity=severity,
        where=(place_where(first), *wheres(rows, "visit", "status")),
        found=found,
        expected="Plants that nobody looked for are not visited, not unfound.",
        remedy=remedy,
        subjects=(first["place"],),
        values=(first["occasion_written"], str(listed), str(seen), str(unseen), said or "not said"),
    )


CHECK = Check(
    code="place_not_visited",
    title="A place was not searched, yet its plants are recorded as not found",
    severity="error",
    kinds=("visit", "place_visit", "plant", "place"),
    run=run,
)
