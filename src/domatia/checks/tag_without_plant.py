"""A tag belongs to no known plant.

What is wrong
-------------
A tag or a tag change came in whose number fits no plant of the place at that date, or fits several. The record was kept
and no plant was taken by guess, so the plant's own list of tags has a gap, and its sheet may show a number that the
plant no longer bears.

An example that fails
---------------------
| plot | tag | in place of | date | plants that bore the former number then |
|------|-----|-------------|------|-----------------------------------------|
| FF-1 | 269 | 229         | 2002 | none                                    |

The better form
---------------
Find out which plant it is, from the sheet, the map or in the field, and correct the tag's plant; or settle this with
what is known.

What it does not see
--------------------
Tags that were attached to the wrong plant.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.naming import place_names
from domatia.checks.written import at, written
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find tags without a plant."""
    loose = data.table("tag").filter(pl.col("plant").is_null())
    named = loose.join(place_names(data), on="place", how="left").with_columns(written=written("borne"))
    told = pl.concat_str([pl.lit("tag "), "tag", pl.lit(" in "), pl.col("place_name").fill_null("no place")])
    hits = named.with_columns(label=told)
    return tuple(_finding(rows[0]) for rows in grouped(hits, "subject_id"))


def _finding(row: Row) -> Finding:
    former = f", in place of {row['former_tag']}" if row["former_tag"] else ""
    when = f" {at(row['written'])}" if row["written"] else ""
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres([row], "tag", "plant"),
        found=f"Tag {row['tag']}{former}{when} belongs to no known plant.",
        expected="Each tag is borne by one plant.",
        remedy="Find out which plant it is and correct the tag's plant; or settle this.",
        subjects=(row["subject_id"],),
        values=(row["tag"], row["former_tag"] or "", row["written"] or ""),
    )


CHECK = Check(
    code="tag_without_plant",
    title="A tag belongs to no known plant",
    severity="warning",
    kinds=("tag",),
    run=run,
)
