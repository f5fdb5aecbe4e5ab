"""A plant that should keep its ants was treated against them.

What is wrong
-------------
A control plant got insecticide or had its ants taken off, or a sham plant got insecticide. Either the record names the
wrong plant or the plant no longer stands for its treatment.

An example that fails
---------------------
| plant | treatment | intervention            |
|-------|-----------|-------------------------|
| 82    | control   | insecticide, 2003-05-01 |

The better form
---------------
If the record names the wrong plant, correct it. If the plant was treated, the record stays: it is analysed as assigned,
and left out or counted as treated in the answer as occupied.

What it does not see
--------------------
Drift of spray from plants nearby. Treatments before the plant was assigned, and those of treatments with the role
"other". What was done to a whole place counts for each plant in it.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.treated import REMOVING, assigned, on_plants
from domatia.checks.written import at, listing
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find removals done to control plants, and insecticide on sham plants."""
    wrong = (pl.col("role") == "control") & pl.col("kind").is_in(REMOVING)
    wrong = wrong | ((pl.col("role") == "sham") & (pl.col("kind") == "insecticide"))
    since = pl.col("start_earliest").is_null() | pl.col("when_latest").is_null()
    rows = (
        on_plants(data)
        .join(assigned(data), on="plant")
        .filter(wrong & (since | (pl.col("when_latest") >= pl.col("start_earliest"))))
        .unique(["plant", "subject_id", "treatment"])
    )
    return tuple(_finding(group) for group in grouped(labelled(rows, data), "plant", "treatment"))


def _finding(rows: list[Row]) -> Finding:
    told = [f"{row['kind']} {at(row['written'])}" for row in rows]
    treatment = rows[0]["treatment"] or rows[0]["role"]
    return Finding(
        code=CHECK.code,
        severity="error",
        where=wheres(rows, "intervention", "kind"),
        found=f"Assigned to {treatment} ({rows[0]['role']}), yet it got {listing(told)}.",
        expected="A control or sham plant keeps its ants.",
        remedy="Correct the plant of the intervention, or settle this; it stays in its treatment as assigned.",
        subjects=(rows[0]["plant"],),
        values=(treatment, *told),
    )


CHECK = Check(
    code="sprayed_control",
    title="A plant that should keep its ants was treated against them",
    severity="error",
    kinds=("intervention", "assignment", "treatment"),
    run=run,
)
