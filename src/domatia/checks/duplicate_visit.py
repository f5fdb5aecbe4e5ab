"""A plant has two visits at one date, or two in one round.

What is wrong
-------------
Two rows tell of the same plant at the same date: a sheet entered twice, two plants under one tag, or a second measure
that does not say that it repeats the first. Counted as two visits they give a false change and a false weight. Two
visits at different dates of one round are warned of only.

An example that fails
---------------------
| plant | date       | height_cm |
|-------|------------|-----------|
| 82    | 2003-10-17 | 31        |
| 82    | 2003-10-17 | 74        |

The better form
---------------
Withdraw the row entered twice; or, where the plant was measured twice to learn the error of measurement, let the second
name the first as `repeat_of`; or give the row to the plant that it belongs to.

What it does not see
--------------------
Two visits on one day with different clock times, which are allowed outside rounds. Where dates are whole years, two
visits of one year count as one date unless they belong to different rounds.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, number, wheres
from domatia.checks.naming import labelled
from domatia.checks.sightings import sightings
from domatia.checks.written import counted, listing
from domatia.model import Check, Finding, StudyData

_DATE = ("plant", "when_earliest", "when_latest", "when_instant")


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find visits of one plant that share a date or a round."""
    visits = sightings(data).filter(pl.col("status").ne_missing("not visited"))
    dated = pl.col("when_earliest").is_not_null()
    clash = (pl.len().over(*_DATE, "round") > 1) | (
        (pl.len().over(*_DATE) > 1) & pl.col("round").is_null().any().over(*_DATE)
    )
    same_date = visits.filter(dated & clash)
    in_round = visits.filter(pl.col("round").is_not_null() & (pl.len().over("plant", "round") > 1))
    in_round = in_round.filter(pl.struct(*_DATE).n_unique().over("plant", "round") > 1)
    by_date = [_same_date(rows) for rows in grouped(labelled(same_date, data), *_DATE)]
    by_round = [_same_round(rows) for rows in grouped(labelled(in_round, data), "plant", "round")]
    return (*by_date, *by_round)


def _told(row: Row) -> str:
    parts = [row["status"] or "no status"]
    if row["height_cm"] is not None:
        parts.append(f"{number(row['height_cm'])} cm")
    if row["shoots"] is not None:
        parts.append(counted(row["shoots"], "shoot", "shoots"))
    return ", ".join(parts)


def _same_date(rows: list[Row]) -> Finding:
    told = [_told(row) for row in rows]
    return Finding(
        code=CHECK.code,
        severity="error",
        where=wheres(rows, "visit", "when"),
        found=f"{len(rows)} visits at the same date ({rows[0]['written']}): {listing(told)}.",
        expected="One visit of a plant at a date.",
        remedy="Withdraw the row entered twice, mark a second measure as a repeat, or give it to the right plant.",
        subjects=tuple(sorted({rows[0]["plant"], *(row["subject_id"] for row in rows)})),
        values=(rows[0]["written"], *sorted(told)),
    )


def _same_round(rows: list[Row]) -> Finding:
    told = [f"{_told(row)} on {row['written']}" for row in rows]
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "visit", "round"),
        found=f"{len(rows)} visits in one round: {listing(told)}.",
        expected="One visit of a plant in a round.",
        remedy="Correct the round of the visit that belongs to another, or settle this if the plant was gone back to.",
        subjects=tuple(sorted({rows[0]["plant"], *(row["subject_id"] for row in rows)})),
        values=tuple(told),
    )


CHECK = Check(
    code="duplicate_visit",
    title="A plant has two visits at one date, or two in one round",
    severity="error",
    kinds=("visit", "plant"),
    run=run,
)
