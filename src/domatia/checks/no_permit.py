"""An intervention has no permit that was valid at its date.

What is wrong
-------------
Insecticide, removal, barriers, cutting and moving of crowns need a permit nearly everywhere. The record names none, or
one that does not hold at the date.

An example that fails
---------------------
| intervention            | permit | valid                    |
|-------------------------|--------|--------------------------|
| insecticide, 2003-05-01 | F-17   | 2002-01-01 to 2002-12-31 |

The better form
---------------
Name the permit that covered the work, or correct the date. If there was none, settle the finding with what was agreed
with the authority; a paper has to say under which permit the work was done.

What it does not see
--------------------
Whether the permit allows just this: read its text. Sham treatments and looks at barriers are not asked for. A permit
without dates counts as valid. Where dates are coarser than a day, only what certainly lies outside is named.

Source
------
Common practice, no source. Local codes and the permit itself decide.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled, place_names
from domatia.checks.one_plant import with_kept
from domatia.checks.written import counted, written
from domatia.model import Check, Finding, StudyData

_FREE = ("barrier checked", "sham")


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find interventions without a permit, or outside its dates."""
    permits = data.table("permit").select(
        pl.col("subject_id").alias("permit"), pl.col("number").alias("permit_number"), "valid_earliest", "valid_latest",
        written("valid").alias("valid"),
    )  # fmt: skip
    done = (
        with_kept(data.table("intervention"), data)
        .filter(~pl.col("kind").is_in(_FREE))
        .join(permits, on="permit", how="left")
    )
    outside = (pl.col("when_latest") < pl.col("valid_earliest")) | (pl.col("when_earliest") > pl.col("valid_latest"))
    bad = done.with_columns(pl.col("permit_number").is_null().alias("none")).filter(
        pl.col("none") | outside.fill_null(False)
    )
    where = bad.join(place_names(data), on="place", how="left").with_columns(
        pl.col("place_name").alias("_site"), pl.col("place").alias("site")
    )
    named = labelled(where, data).with_columns(
        pl.when(pl.col("plant").is_null() & pl.col("_site").is_not_null())
        .then(pl.concat_str([pl.col("_site"), pl.lit(", "), pl.col("written")]))
        .when(pl.col("plant").is_null())
        .then(pl.concat_str([pl.col("kind"), pl.lit(", "), pl.col("written")]))
        .otherwise(pl.col("label"))
        .alias("label"),
        pl.col("permit_number").fill_null(""),
    )
    return tuple(_finding(rows) for rows in grouped(named, "permit_number", "kind"))


def _finding(rows: list[Row]) -> Finding:
    first = rows[0]
    times = sorted({row["written"] for row in rows})
    span = times[0] if len(times) == 1 else f"{times[0]} to {times[-1]}"
    what = f"{counted(len(rows), 'intervention', 'interventions')} ({first['kind']}, {span})"
    if first["none"]:
        found = f"{what} name{'s' if len(rows) == 1 else ''} no permit."
    else:
        lie = "lies" if len(rows) == 1 else "lie"
        found = f"{what} {lie} outside the dates of permit {first['permit_number']} ({first['valid'] or 'open'})."
    return Finding(
        code=CHECK.code,
        severity="error" if not first["none"] or first["kind"] == "insecticide" else "warning",
        where=wheres(rows, "intervention", "permit"),
        found=found,
        expected="Each intervention names a permit that holds at its date.",
        remedy="Name the permit that covered it, correct the date, or settle this with what was agreed.",
        subjects=tuple(sorted({row[c] for row in rows for c in ("subject_id", "plant", "site") if row[c]})),
        values=(first["kind"], first["permit_number"], *(row["written"] for row in rows)),
    )


CHECK = Check(
    code="no_permit",
    title="An intervention has no permit that was valid at its date",
    severity="error",
    kinds=("intervention", "permit"),
    run=run,
)
