"""One tag number is borne by two plants.

What is wrong
-------------
Within one scope (plot, site or study, as the profile says) the same tag stands on two plants. While both bear it at
the same time this is an error: a sheet line cannot be told to either of them. Where the second plant was given the
number after the first had lost it, this is a warning: a number should never be given twice.

An example that fails
---------------------
| plot | plant | tag | borne |
|------|-------|-----|-------|
| FF-1 | a     | 810 | 1998 to 2009 |
| FF-1 | b     | 810 | 2001 to 2009 |

The better form
---------------
Plant b gets a new number in the field; its old tag record ends on the day of the change, and the new one starts with
the reason "duplicate". If the two turn out to be one plant, record that they are the same.

What it does not see
--------------------
Two tags with one number in different scopes, which is allowed. Tag records that name no plant are left out. A tag
without dates counts as borne all the time.

Source
------
Common practice, no source: one number, one individual, never used again.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import labelled
from domatia.checks.one_plant import with_kept
from domatia.checks.places import scopes
from domatia.checks.written import counted, listing, written
from domatia.model import Check, Finding, StudyData

_FIRST, _LAST = pl.date(1, 1, 1), pl.date(9999, 12, 31)


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find tags that two or more plants of one scope bear or bore."""
    tags = with_kept(data.table("tag"), data).filter(pl.col("plant").is_not_null())
    home = data.table("plant").select(pl.col("subject_id").alias("plant"), pl.col("place").alias("_home"), "subplot")
    placed = (
        tags.join(home, on="plant", how="left")
        .with_columns(pl.coalesce("place", "_home").alias("place"), pl.col("tag").str.strip_chars())
        .join(scopes(data), on="place", how="left")
        .with_columns(
            pl.col("scope").fill_null(b""),
            pl.col("borne_earliest").fill_null(_FIRST).alias("when_earliest"),
            pl.col("borne_latest").fill_null(_LAST).alias("when_latest"),
        )
    )
    shared = placed.filter(pl.col("plant").n_unique().over("scope", "tag") > 1)
    named = labelled(shared, data, when="").with_columns(written("borne").alias("borne"))
    return tuple(_finding(rows) for rows in grouped(named, "scope", "tag"))


def _finding(rows: list[Row]) -> Finding:
    bearers = sorted({row["plant"] for row in rows})
    at_once = any(
        a["plant"] != b["plant"] and a["when_earliest"] <= b["when_latest"] and b["when_earliest"] <= a["when_latest"]
        for i, a in enumerate(rows)
        for b in rows[i + 1 :]
    )
    each = listing([_bearer(row) for row in rows])
    plants = counted(len(bearers), "plant", "plants")
    tag = rows[0]["tag"]
    return Finding(
        code=CHECK.code,
        severity="error" if at_once else "warning",
        where=wheres(rows, "tag", "tag"),
        found=f"Tag {tag} is borne by {plants} at the same time: {each}."
        if at_once
        else f"Tag {tag} was given to {plants}, one after the other: {each}.",
        expected="A number stands on one plant and is never given twice.",
        remedy="Give one of them a new tag in the field and record the change; if they are one plant, say so.",
        subjects=tuple(bearers),
        values=(tag, *(f"{row['when_earliest']}/{row['when_latest']}" for row in rows)),
    )


def _bearer(row: Row) -> str:
    cell = f" in subplot {row['subplot']}" if row["subplot"] else ""
    plant = f"plant {row['plant'].hex()[:8]}{cell}"
    return f"{plant} ({row['borne']})" if row["borne"] else plant


CHECK = Check(
    code="tag_borne_by_two",
    title="One tag number is borne by two plants",
    severity="error",
    kinds=("tag", "plant", "place"),
    run=run,
)
