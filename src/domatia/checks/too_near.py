"""A removal plant stands too near another treatment or cut crowns.

What is wrong
-------------
Ants, spray and queens cross short distances. A removal plant nearer than the profile's `least_distance_m` to a plant of
another treatment is soon recolonised from it, and may share its spray; crowns left lying beside it bring their ants.

An example that fails
---------------------
| plant | treatment | x_m  | y_m |
|-------|-----------|------|-----|
| 82    | removal   | 10.0 | 4.0 |
| 83    | control   | 11.2 | 4.0 |

(With `least_distance_m = 2`.)

The better form
---------------
Draw treatments for plants that stand far enough apart, or treat near plants alike; carry crowns away. Where it cannot
be changed, the distance to the nearest occupied plant belongs into the analysis.

What it does not see
--------------------
Plants without coordinates in metres; neighbours across the edge of a plot; plants of no treatment, which may hold
colonies too. Distances are taken flat, from trunk to trunk; crowns may touch beyond them.

Source
------
Common practice, no source; the distance is the study's own.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, number, where, wheres
from domatia.checks.naming import labelled, plant_names
from domatia.checks.nearness import near_pairs, positions
from domatia.checks.treated import assigned, on_plants
from domatia.checks.written import at, listing
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find removal plants near plants of another treatment, and near crowns left lying."""
    removed = assigned(data).filter(pl.col("role") == "removal").select("plant").unique()
    least = data.profile.least_distance_m
    named = _neighbours(data, removed, least)
    crowns = _crowns(data, removed, least)
    return (
        *(_near(rows, least) for rows in grouped(named, "plant")),
        *(_crown(rows, least) for rows in grouped(crowns, "plant")),
    )


def _neighbours(data: StudyData, removed: pl.DataFrame, least: float) -> pl.DataFrame:
    given = assigned(data).group_by("plant").agg(pl.col("treatment").min(), pl.col("role").min())
    placed = positions(data).join(given, on="plant")
    other = given.select(pl.col("plant").alias("other"), pl.col("treatment").alias("of"))
    mine = given.select("plant", pl.col("treatment").alias("own"))
    names = plant_names(data).select(pl.col("plant").alias("other"), pl.col("plant_name").alias("other_name"))
    record = data.table("plant").select(
        pl.col("subject_id").alias("plant"), "record_id", "origin_file", "origin_sheet", "origin_row"
    )
    record_b = record.select(pl.all().name.suffix("_b")).rename({"plant_b": "other"})
    pairs = (
        near_pairs(placed, least)
        .join(removed, on="plant")
        .join(mine, on="plant")
        .join(other, on="other")
        .filter(pl.col("own") != pl.col("of"))
        .join(names, on="other", how="left")
        .join(record, on="plant")
        .join(record_b, on="other")
        .with_columns(pl.col("other").alias("subject_id"))
    )
    return labelled(pairs, data, when="")


def _crowns(data: StudyData, removed: pl.DataFrame, least: float) -> pl.DataFrame:
    rows = on_plants(data).join(removed, on="plant").filter(pl.col("crown_distance_m") < least)
    return labelled(rows, data)


def _near(rows: list[Row], least: float) -> Finding:
    near = sorted(rows, key=lambda row: (row["distance_m"], row["other"]))
    told = [f"{row['other_name']} ({row['of']}) at {row['distance_m']:.1f} m" for row in near]
    others = tuple(
        where({**{c: row[f"{c}_b"] for c in _RECORD}, "label": row["other_name"]}, "plant", "x_m") for row in near
    )
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=(where(near[0], "plant", "x_m"), *others),
        found=f"A removal plant stands near plants of another treatment: {listing(told)}.",
        expected=f"At least {number(least)} m to any plant of another treatment.",
        remedy="Correct the coordinates, or settle this and let the distance enter the analysis.",
        subjects=(near[0]["plant"], *(row["other"] for row in near)),
        values=(number(least), *told),
    )


_RECORD = ("record_id", "origin_file", "origin_sheet", "origin_row")


def _crown(rows: list[Row], least: float) -> Finding:
    told = [f"{number(row['crown_distance_m'])} m {at(row['written'])}" for row in rows]
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "intervention", "crown_distance_m"),
        found=f"Cut crowns were left near a removal plant: {listing(told)}.",
        expected=f"At least {number(least)} m to crowns left lying, or crowns carried away.",
        remedy="Carry the crowns away, or settle this; their ants may have moved onto the plant.",
        subjects=(rows[0]["plant"],),
        values=(number(least), "crown", *told),
    )


CHECK = Check(
    code="too_near",
    title="A removal plant stands too near another treatment or cut crowns",
    severity="warning",
    kinds=("assignment", "treatment", "plant", "intervention"),
    run=run,
)
