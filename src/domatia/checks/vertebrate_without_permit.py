"""A vertebrate was put on a plant on a day for which no permit is on record.

What is wrong
-------------
Trials in which a vertebrate is exposed to stinging ants are animal experiments nearly everywhere: they need the
approval of an ethics committee and a permit of the place, beforehand. The study names no permit that held on that day.

An example that fails
---------------------
| plant | when             | intruder     | intruder_kind | permits on record |
|-------|------------------|--------------|---------------|-------------------|
| 82    | 2003-05-01 09:30 | small lizard | vertebrate    | none              |

The better form
---------------
Record the approval as a permit, with its number, who gave it, its dates and what it allows; then read whether it
allows this. If there was none, stop such trials and settle the finding with what was agreed with the authority.

What it does not see
--------------------
Whether the permit allows just this: read its text. A permit without dates counts as valid. Vertebrates that are not
marked as such. Invertebrates may be protected too.

Source
------
Common practice, no source. Local law, ethics codes and the permit itself decide.
"""

from datetime import date

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.written import counted
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find trials with vertebrates that no permit on record can cover."""
    spans = list(data.table("permit").select("valid_earliest", "valid_latest").iter_rows())
    tried = data.table("trial").filter(pl.col("intruder_kind") == "vertebrate")
    covered = [
        any(_may_hold(span, (first, last)) for span in spans)
        for first, last in tried.select("when_earliest", "when_latest").iter_rows()
    ]
    bad = tried.filter(~pl.Series(covered, dtype=pl.Boolean))
    named = labelled(bad, data).with_columns(kind_of=pl.col("intruder").fill_null("not named"))
    return tuple(_finding(rows) for rows in grouped(named, "kind_of"))


def _may_hold(span: tuple[date | None, date | None], when: tuple[date | None, date | None]) -> bool:
    """Tell whether a permit may have held: only what certainly lies outside does not."""
    return not (
        (span[0] is not None and when[1] is not None and when[1] < span[0])
        or (span[1] is not None and when[0] is not None and when[0] > span[1])
    )


def _finding(rows: list[Row]) -> Finding:
    what = counted(len(rows), "trial", "trials")
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "trial", "intruder_kind"),
        found=f"{what} with a vertebrate ({rows[0]['kind_of']}) on days for which no permit is on record.",
        expected="An approval and a permit that held on the day, recorded with what they allow.",
        remedy="Record the permit; if there was none, stop such trials and ask the ethics committee of the place.",
        subjects=tuple(sorted(row["subject_id"] for row in rows)),
        values=(rows[0]["kind_of"], *(row["written"] for row in rows)),
    )


CHECK = Check(
    code="vertebrate_without_permit",
    title="A vertebrate was put on a plant on a day for which no permit is on record",
    severity="warning",
    kinds=("trial", "permit", "plant"),
    run=run,
)
