"""Leaf lost in a year with and without ants, and leaves on a plant: what rewards are set against."""

import polars as pl

from domatia.histories.deaths import death_intervals
from domatia.histories.facts import plant_facts
from domatia.histories.leaves import BY_FATE, eaten_share, followed_leaves, leaf_scores, leaves_after, plant_means
from domatia.histories.moments import position
from domatia.model.dates import DAYS_A_YEAR
from domatia.model.study import StudyData

_WINDOW = 0.125
_SAME_MARKING_DAYS = 15.0
_NEAR_DAYS = 60.0


def compared_treatments(data: StudyData) -> tuple[str, str] | None:
    """Give the roles compared: removal against sham, else against control; None if there are not both."""
    roles = set(plant_facts(data)["role"].drop_nulls())
    other = next((r for r in ("sham", "control") if r in roles), None)
    return ("removal", other) if "removal" in roles and other is not None else None


def lost_in_a_year(data: StudyData) -> pl.DataFrame:
    """Give the share of marked leaf that is missing a year after the treatment, by plant; the eaten leaf by its fate.

    Returns
    -------
    polars.DataFrame
        `plant`, `record_id` (of the plant), `role`, `group`, `lost` (share); plants whose leaves were marked at the
        treatment and whose state after a year is known.
    """
    facts = plant_facts(data).filter(pl.col("role").is_not_null())
    starts = facts.filter(pl.col("start_earliest").is_not_null()).select("plant", start=position("start"))
    rows = followed_leaves(leaf_scores(data), starts)
    rows = rows.join(facts.select("plant", "role"), on="plant", how="inner", maintain_order="left")
    rows = eaten_share(rows, "role")
    far = pl.col("late").abs() - pl.col("late").abs().min().over("plant")
    rows = rows.filter((far <= _SAME_MARKING_DAYS).fill_null(True))
    alive = death_intervals(data).table.select("plant", last=pl.col("origin") + pl.col("left"))
    means = plant_means(leaves_after(rows, 1.0, _WINDOW, alive)).select("plant", lost=BY_FATE)
    joined = facts.select("plant", "record_id", "role", "group").join(means, on="plant", how="inner")
    return joined.filter(pl.col("lost").is_not_null()).sort("plant")


def leaves_after_a_year(data: StudyData, role: str) -> pl.DataFrame:
    """Give the leaves counted on plants of a role at the visit nearest to a year after the treatment.

    Returns
    -------
    polars.DataFrame
        `plant`, `record_id` (of the visit), `group`, `leaves`; visits within 60 days of the year.
    """
    facts = plant_facts(data).filter(pl.col("role") == role)
    starts = facts.select("plant", "group", start=position("start"))
    seen = data.table("visit").filter(pl.col("leaves").is_not_null() & pl.col("repeat_of").is_null())
    seen = seen.select("plant", "record_id", "leaves", t=position()).join(starts, on="plant", how="inner")
    seen = seen.with_columns(off=(pl.col("t") - pl.col("start") - DAYS_A_YEAR).abs())
    near = seen.filter(pl.col("off") <= _NEAR_DAYS).sort("plant", "off", "record_id")
    return near.unique("plant", keep="first", maintain_order=True).select("plant", "record_id", "group", "leaves")
