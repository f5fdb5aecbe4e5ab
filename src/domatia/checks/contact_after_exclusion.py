"""A trial tells of a contact or an exclusion at a moment when nobody can have seen it.

What is wrong
-------------
A trial gives the seconds until the first contact and until the intruder was off the plant. An ant cannot meet an
intruder that is gone, and nothing is seen after the watch has ended.

An example that fails
---------------------
| plant | when             | watched_s | first_contact_s | excluded_s |
|-------|------------------|-----------|-----------------|------------|
| 82    | 2003-05-01 09:30 | 600       | 214             | 184        |

The better form
---------------
Write both times from the same start, the release. Minutes and seconds are often run together (3'04" is 184 s, not 304).

What it does not see
--------------------
Times that are wrong but possible.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, number, where
from domatia.checks.naming import labelled
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find trials whose times do not fit one another."""
    contact, out, end = (pl.col(c) for c in ("first_contact_s", "excluded_s", "watched_s"))
    told = (
        pl.when(contact > out).then(pl.format("a first contact at {} s, after an exclusion at {} s", contact, out))
        .when(contact > end).then(pl.format("a first contact at {} s in a watch of {} s", contact, end))
        .when(out > end).then(pl.format("an exclusion at {} s in a watch of {} s", out, end))
    )  # fmt: skip
    hits = data.table("trial").with_columns(told=told).filter(pl.col("told").is_not_null())
    rows = labelled(hits, data).sort("label", "subject_id")
    return tuple(_finding(row) for row in rows.iter_rows(named=True))


def _finding(row: Row) -> Finding:
    times = [row[c] for c in ("watched_s", "first_contact_s", "excluded_s")]
    return Finding(
        code=CHECK.code,
        severity="error",
        where=(where(row, "trial", "first_contact_s" if "contact" in row["told"] else "excluded_s"),),
        found=f"The trial tells of {row['told'].replace('.0 s', ' s')}.",
        expected="Contact before exclusion, and both within the watch.",
        remedy="Compare the sheet; until it is mended the trial is left out of answers.",
        subjects=(row["subject_id"],),
        values=tuple(number(t) for t in times),
    )


CHECK = Check(
    code="contact_after_exclusion",
    title="A trial tells of a contact or an exclusion at a moment when nobody can have seen it",
    severity="error",
    kinds=("trial", "plant"),
    run=run,
)
