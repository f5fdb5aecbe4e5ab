"""A nest or other associate is written down as there and as not there at once.

What is wrong
-------------
A record says that the kind was looked for and not seen, and yet gives it a state in use; or two records of one plant,
day and kind disagree on whether it was there.

An example that fails
---------------------
| plant | when       | kind      | present | state  |
|-------|------------|-----------|---------|--------|
| 82    | 2003-05-01 | bird nest | no      | active |

The better form
---------------
Leave the state blank where nothing was there; write an old nest with present = yes and the state "old".

What it does not see
--------------------
A kind that nobody looked for and that was written down as not there.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, where, wheres
from domatia.checks.naming import labelled
from domatia.model import Check, Finding, StudyData

IN_USE = ("active", "in use", "occupied", "fresh", "new", "alive")


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find associates that are there and not there."""
    rows = labelled(data.table("associate"), data)
    used = pl.col("state").fill_null("").str.strip_chars().str.to_lowercase().is_in(IN_USE)
    odd = rows.filter(~pl.col("present").fill_null(True) & used).sort("label", "subject_id")
    there = pl.col("present").fill_null(True)
    keys = ("plant", "when_earliest", "when_latest", "kind")
    split = there.any().over(keys) & ~there.all().over(keys)
    known = pl.all_horizontal(pl.col(keys).is_not_null())
    both = rows.filter(known & split)
    return (
        *(_finding(row) for row in odd.iter_rows(named=True)),
        *(_disagree(found) for found in grouped(both, *keys)),
    )


def _finding(row: Row) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="error",
        where=(where(row, "associate", "present"),),
        found=f"The {row['kind'] or 'associate'} was not there, but its state is {row['state']!r}.",
        expected="A state only where it was there.",
        remedy="Compare the sheet; correct what is wrong, or clear the state.",
        subjects=(row["subject_id"],),
        values=("no", str(row["state"])),
    )


def _disagree(rows: list[Row]) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "associate", "present"),
        found=f"{len(rows)} records of the {rows[0]['kind']} at one look disagree on whether it was there.",
        expected="One answer a plant, day and kind.",
        remedy="Compare the sheet and take back the wrong record; until then it counts as there.",
        subjects=tuple(row["subject_id"] for row in rows),
        values=tuple("no" if row["present"] is False else "yes" for row in rows),
    )


CHECK = Check(
    code="associate_there_and_not",
    title="A nest or other associate is written down as there and as not there at once",
    severity="error",
    kinds=("associate", "plant"),
    run=run,
)
