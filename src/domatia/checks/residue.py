"""Leaves were scored while insecticide still worked.

What is wrong
-------------
Insecticide keeps off the enemies of the leaf too. Damage scored within the profile's `residue_days` after it tells of
the insecticide as well as of the missing ants, and makes the ants' effect look smaller.

An example that fails
---------------------
| plant | insecticide | leaves scored |
|-------|-------------|---------------|
| 82    | 2003-05-01  | 2003-05-04    |

(With `residue_days = 14`.)

The better form
---------------
Score before the treatment, or once the residue is gone; mark leaves that opened after that. The scores stay in the
study, and the answer on damage can be asked without them. Follow the label, the permit and the local rules on
re-entry before anybody handles treated leaves.

What it does not see
--------------------
Drift from plants nearby. Scores on the day of the insecticide, which are taken to have come before it. Dates coarser
than a month: then nothing is said. How long a given agent works: the profile's number is the study's own.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.one_plant import with_kept
from domatia.checks.treated import on_plants
from domatia.checks.written import at, counted, listing, written
from domatia.model import Check, Finding, StudyData

_COARSE_DAYS = 31


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find leaves scored within the residue time after an insecticide on their plant."""
    sharp = (pl.col("when_latest") - pl.col("when_earliest")).dt.total_days() < _COARSE_DAYS
    sprayed = (
        on_plants(data)
        .filter((pl.col("kind") == "insecticide") & sharp)
        .select(
            "plant",
            written("when").alias("sprayed"),
            pl.col("when_earliest").alias("_from"),
            pl.col("when_latest").alias("_to"),
        )
        .unique()
    )
    scores = with_kept(data.table("leaf"), data).filter(
        sharp & (pl.col("missing_pct").is_not_null() | pl.col("damage_class").is_not_null())
    )
    days = (pl.col("when_earliest") - pl.col("_to")).dt.total_days()
    rows = (
        scores.join(sprayed, on="plant")
        .filter((pl.col("when_earliest") > pl.col("_to")) & (days < data.profile.residue_days))
        .sort("subject_id", "_to", "_from")
        .unique("subject_id", keep="last", maintain_order=True)
        .with_columns(days.alias("days"))
    )
    allowed = data.profile.residue_days
    return tuple(_finding(group, allowed) for group in grouped(labelled(rows, data), "plant"))


def _finding(rows: list[Row], allowed: float) -> Finding:
    leaves: dict[tuple[str, str, int], int] = {}
    for row in rows:
        key = (row["written"], row["sprayed"], row["days"])
        leaves[key] = leaves.get(key, 0) + 1
    told = [
        f"{counted(n, 'leaf', 'leaves')} {at(when)}, {counted(days, 'day', 'days')} after the insecticide of {sprayed}"
        for (when, sprayed, days), n in leaves.items()
    ]
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "leaf", "when"),
        found=f"Scored within the residue time: {listing(told)}.",
        expected=f"No scores within {allowed:g} days after an insecticide.",
        remedy="Ask for damage with and without these leaves, and score later next time.",
        subjects=(rows[0]["plant"],),
        values=(f"{allowed:g}", *told),
    )


CHECK = Check(
    code="residue",
    title="Leaves were scored while insecticide still worked",
    severity="warning",
    kinds=("leaf", "intervention", "plant"),
    run=run,
)
