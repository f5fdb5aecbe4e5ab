"""A trial says two things that cannot both be so.

What is wrong
-------------
The trial has a time of exclusion but says that it ended otherwise, attacks without a contact, or a moment of first
contact but no contacts.

An example that fails
---------------------
| plant | when             | contacts | attacks | excluded_s | ended   |
|-------|------------------|----------|---------|------------|---------|
| 82    | 2003-05-01 09:30 | 0        | 3       | 184        | time up |

The better form
---------------
Leave the time of exclusion blank where ants did not put the intruder off the plant. Count every attack as a contact
too. Write 0 contacts only where there was none.

What it does not see
--------------------
Falls by wind taken for exclusions.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, number, where
from domatia.checks.naming import labelled
from domatia.model import Check, Finding, StudyData

_OTHER = ("time up", "intruder left", "fell by wind")


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find trials that disagree with themselves."""
    out, contacts = pl.col("excluded_s"), pl.col("contacts")
    told = (
        pl.when(out.is_not_null() & pl.col("ended").is_in(_OTHER))
        .then(pl.format("an exclusion at {} s, but it ended by: {}", out, "ended"))
        .when((pl.col("attacks") > 0) & (contacts == 0))
        .then(pl.format("attacks ({}) but no contact", "attacks"))
        .when(pl.col("first_contact_s").is_not_null() & (contacts == 0))
        .then(pl.format("a first contact at {} s but no contact", "first_contact_s"))
    )
    hits = data.table("trial").with_columns(told=told).filter(pl.col("told").is_not_null())
    rows = labelled(hits, data).sort("label", "subject_id")
    return tuple(_finding(row) for row in rows.iter_rows(named=True))


def _finding(row: Row) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="error",
        where=(where(row, "trial", "ended" if "ended" in row["told"] else "contacts"),),
        found=f"The trial tells of {row['told'].replace('.0 s', ' s')}.",
        expected="An exclusion is why the watch ended; attacks and a first contact are contacts.",
        remedy="Compare the sheet and mend what is wrong; leave blank what was not noted.",
        subjects=(row["subject_id"],),
        values=(number(row["excluded_s"]), row["ended"] or "", row["told"]),
    )


CHECK = Check(
    code="trial_disagrees",
    title="A trial says two things that cannot both be so",
    severity="error",
    kinds=("trial", "plant"),
    run=run,
)
