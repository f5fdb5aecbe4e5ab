"""A grown plant was found without a tag.

What is wrong
-------------
A plant was first recorded as an adult in a place that had been searched before: it was missed at the earlier
searches, or it is a plant of the list that lost its tag. Counted as new it makes recruitment too high, and the plant
whose tag was lost seems to have vanished. Also named: a live plant that bears no tag at all.

An example that fails
---------------------
| plot | plant | first seen | origin         | earlier searches of the plot |
|------|-------|------------|----------------|------------------------------|
| FF-1 | b     | 2003       | found as adult | 1998 to 2002                 |

The better form
---------------
Look whether a plant of the same subplot went missing before. If it is the same one, record that the two are the same,
with the tag change; otherwise settle this, and the plant counts as one that was missed.

What it does not see
--------------------
Adults in the first search of a place, which are expected. Which of the missing plants it is: the candidates named are
those of the same subplot that were last seen before and not found since.

Source
------
Common practice, no source: a plant above seedling size is no recruit.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.lives import lives
from domatia.checks.naming import labelled, plant_names
from domatia.checks.one_plant import plants, with_kept
from domatia.checks.sightings import sightings
from domatia.checks.written import at, listing
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find adults new to a place searched before, and live plants without a tag."""
    visits = sightings(data)
    life = lives(visits)
    known = plants(data).with_columns(pl.col("subject_id").alias("plant")).join(life, on="plant", how="left")
    searched = (
        visits.filter(pl.col("alive") & pl.col("place").is_not_null())
        .group_by("place")
        .agg(pl.col("when_latest").min().alias("_searched"))
    )
    tagged = (
        with_kept(data.table("tag"), data)
        .select("plant")
        .drop_nulls()
        .unique()
        .with_columns(pl.lit(True).alias("_tag"))
    )
    judged = known.join(searched, on="place", how="left").join(tagged, on="plant", how="left")
    late = (pl.col("origin") == "found as adult") & (pl.col("first_earliest") > pl.col("_searched"))
    bare = pl.col("_tag").is_null() & pl.col("last_latest").is_not_null() & pl.col("death_latest").is_null()
    rows = judged.with_columns(
        late.fill_null(False).alias("late"),
        bare.alias("bare"),
        pl.col("first_earliest").alias("when_earliest"),
        pl.col("first_latest").alias("when_latest"),
    ).filter(pl.col("late") | pl.col("bare"))
    lost = _candidates(rows, known, data)
    named = labelled(rows.join(lost, on="plant", how="left"), data)
    return tuple(_finding(group[0]) for group in grouped(named, "plant"))


def _candidates(rows: pl.DataFrame, known: pl.DataFrame, data: StudyData) -> pl.DataFrame:
    """Give for each such plant the names of plants of its subplot that vanished before it appeared."""
    gone = (
        known.filter(pl.col("missed") & pl.col("death_latest").is_null() & pl.col("subplot").is_not_null())
        .join(plant_names(data).select("plant", "plant_name"), on="plant")
        .select("place", "subplot", pl.col("last_latest").alias("_vanished"), "plant_name")
    )
    return (
        rows.filter(pl.col("late"))
        .select("plant", "place", "subplot", "first_earliest")
        .join(gone, on=["place", "subplot"])
        .filter(pl.col("_vanished") < pl.col("first_earliest"))
        .group_by("plant")
        .agg(pl.col("plant_name").sort().alias("candidates"))
    )


def _finding(row: Row) -> Finding:
    late = row["late"]
    candidates: list[str] = row["candidates"] or []
    if late:
        found = (
            f"Found as an adult {at(row['written'])}, in a place that had been searched since {row['_searched']:%Y}."
        )
    else:
        found = f"A live plant without a tag, first seen {at(row['written'])}."
    lost = f" Missing from the same subplot by then: {listing(candidates)}." if candidates else ""
    return Finding(
        code=CHECK.code,
        severity="note",
        where=wheres([row], "plant", "origin" if late else ""),
        found=found + lost,
        expected="A plant of that size bears a tag since an earlier search.",
        remedy="If it is a plant that lost its tag, record that the two are the same; otherwise settle this.",
        subjects=(row["plant"],),
        values=("late" if late else "no tag", row["written"]),
    )


CHECK = Check(
    code="adult_without_tag",
    title="A grown plant was found without a tag",
    severity="note",
    kinds=("plant", "visit", "tag"),
    run=run,
)
