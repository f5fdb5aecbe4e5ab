"""One observer's values differ from the others'.

What is wrong
-------------
In the same places and rounds, the heights or leaf scores of one observer lie above or below those of the others by more
than chance explains. One measures to the leaf tip and another to the shoot, or one sees more damage than another. Where
observers are not spread evenly over treatments, that becomes an effect of the treatment.

An example that fails
---------------------
| round | observer | change of height since the last round (median) |
|-------|----------|-------------------------------------------------|
| 2003  | AB       | +4 %  |
| 2003  | CD       | +15 % |

The better form
---------------
Measure some plants twice, by both observers (`repeat_of`), and agree on the rule. Values are not corrected; let the
observer enter the analysis, or spread observers evenly over treatments and blocks.

How it is judged
----------------
Heights as the logarithmic step since the plant's last visit, compared within place and round; leaf scores as the mean
missing share of a plant on a day, compared within place, treatment and month. Ranks within each stratum that holds at
least two observers, summed with weights 1 / (N + 1) and the exact variance under random order (ties included). Named
where the two-sided chance is below 0.01 over the number of comparisons, the observer has at least 20 values, and the
difference of medians within strata is at least 2 % of height or 2 points of leaf.

What it does not see
--------------------
An observer who worked alone in a place and round; drift of all observers together; drift within a round. Plants near
each other grow alike: an observer who measured one corner only may be named for that corner.

Source
------
Stratified rank sum: van Elteren 1960, Bulletin of the International Statistical Institute 37:351 (from memory). The
smallest differences are our own.
"""

from math import exp
from statistics import NormalDist
from typing import Any

import polars as pl

from domatia.checks.effort import occasion
from domatia.checks.gather import wheres
from domatia.checks.observers import person, sheets
from domatia.checks.one_plant import with_kept
from domatia.checks.steps import steps
from domatia.checks.treated import assigned
from domatia.model import Check, Finding, StudyData

_CHANCE = 0.01
_FEWEST = 20
_LEAST = {"height_cm": 0.02, "missing_pct": 2.0}


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find observers whose values differ from the others' in the same places and rounds."""
    sources = {"height_cm": _heights(data), "missing_pct": _scores(data)}
    judged = {column: _judged(rows) for column, rows in sources.items()}
    comparisons = max(1, sum(j.height for j in judged.values()))
    limit = NormalDist().inv_cdf(1 - _CHANCE / comparisons / 2)
    return tuple(
        _finding(row, column, sources[column], data)
        for column, table in judged.items()
        for row in _compared(table)
        if abs(row["z"]) > limit and row["n"] >= _FEWEST and abs(row["shift"]) >= _LEAST[column]
    )


def _compared(table: pl.DataFrame) -> list[dict[str, Any]]:
    """Name those that each observer is compared with; of two observers only the first is kept, and stands for both."""
    rows = table.sort("observer").to_dicts()
    if len(rows) == 2:
        return [{**rows[0], "others": rows[1]["observer"]}]
    return [{**row, "others": "the others"} for row in rows]


_KEEP = (
    "record_id", "subject_id", "origin_file", "origin_sheet", "origin_row", "place", "observer", "when_earliest",
    "when_latest", "stratum", "value",
)  # fmt: skip


def _heights(data: StudyData) -> pl.DataFrame:
    rows = steps(data, "height_cm").filter(pl.col("log_step").is_not_null() & pl.col("observer").is_not_null())
    stratum = pl.struct("place", "occasion")
    return (
        rows.with_columns(occasion())
        .with_columns(stratum.alias("stratum"), pl.col("log_step").alias("value"))
        .select(_KEEP)
    )


def _scores(data: StudyData) -> pl.DataFrame:
    home = data.table("plant").select(pl.col("subject_id").alias("plant"), "place")
    given = assigned(data).group_by("plant").agg(pl.col("treatment").min())
    leaves = with_kept(data.table("leaf"), data).filter(
        pl.col("missing_pct").is_not_null() & pl.col("observer").is_not_null() & pl.col("when_earliest").is_not_null()
    )
    rows = (
        leaves.join(home, on="plant", how="left")
        .join(given, on="plant", how="left")
        .sort("origin_file", "origin_sheet", "origin_row", "subject_id", nulls_last=True)
    )
    first = pl.col("record_id", "subject_id", "origin_file", "origin_sheet", "origin_row").first()
    month = pl.col("when_earliest").dt.month_start()
    return (
        rows.group_by("plant", "observer", "when_earliest", "when_latest", "place", "treatment", maintain_order=True)
        .agg(first, pl.col("missing_pct").mean().alias("value"))
        .with_columns(pl.struct("place", "treatment", month.alias("month")).alias("stratum"))
        .select(_KEEP)
    )


def _judged(rows: pl.DataFrame) -> pl.DataFrame:
    """Compare each observer with the others of the same strata: `observer`, `n`, `z` and `shift` (own minus others)."""
    shared = rows.filter(pl.col("observer").n_unique().over("stratum") > 1)
    ranked = shared.with_columns(pl.col("value").rank("average").over("stratum").alias("rank"))
    whole = ranked.group_by("stratum").agg(
        pl.len().alias("N"), ((pl.col("rank") - pl.col("rank").mean()) ** 2).sum().alias("spread")
    )
    own = ranked.group_by("stratum", "observer").agg(pl.len().alias("n"), pl.col("rank").sum().alias("ranks"))
    n, total = pl.col("n").cast(pl.Float64), pl.col("N").cast(pl.Float64)
    weight = 1 / (total + 1)
    excess = (pl.col("ranks") - n * (total + 1) / 2) * weight
    variance = n * (total - n) / (total * (total - 1)) * pl.col("spread") * weight**2
    summed = (
        own.join(whole, on="stratum")
        .group_by("observer")
        .agg(pl.col("n").sum().alias("n"), excess.sum().alias("excess"), variance.sum().alias("variance"))
        .filter(pl.col("variance") > 0)
    )
    z = (pl.col("excess") / pl.col("variance").sqrt()).alias("z")
    return summed.select("observer", "n", z).join(_shifts(shared), on="observer", how="left")


def _shifts(shared: pl.DataFrame) -> pl.DataFrame:
    """Give each observer's mean difference from the others of a stratum, weighted by its own values there."""
    medians = shared.group_by("stratum", "observer").agg(pl.col("value").median().alias("own"), pl.len().alias("n"))
    others = (
        shared.select("stratum", "value", pl.col("observer").alias("other"))
        .join(medians.select("stratum", "observer"), on="stratum")
        .filter(pl.col("other") != pl.col("observer"))
        .group_by("stratum", "observer")
        .agg(pl.col("value").median().alias("theirs"))
    )
    weighted = ((pl.col("own") - pl.col("theirs")) * pl.col("n")).sum() / pl.col("n").sum()
    joined = medians.join(others, on=["stratum", "observer"])
    return joined.group_by("observer").agg(weighted.alias("shift"))


def _finding(row: dict[str, Any], column: str, source: pl.DataFrame, data: StudyData) -> Finding:
    name, shift = row["observer"], row["shift"]
    way = "above" if shift > 0 else "below"
    others = f"{way} those of {row['others']}, by {row['n']}"
    if column == "height_cm":
        found = f"Heights of {name} lie {100 * abs(exp(shift) - 1):.0f} % {others} steps."
    else:
        found = f"Leaf scores of {name} lie {abs(shift):.1f} points {others} plant-days."
    rows = sheets(source.filter(pl.col("observer") == name), name, data)
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "visit" if column == "height_cm" else "leaf", column),
        found=found,
        expected="Observers in the same place and round find the same.",
        remedy="Measure some plants twice by both, agree on the rule, and let the observer enter the analysis.",
        subjects=(person(name, data),),
        values=(column, name, row["others"], f"{shift:.{1 if column == 'missing_pct' else 2}f}"),
    )


CHECK = Check(
    code="observer_drift",
    title="One observer's values differ from the others'",
    severity="warning",
    kinds=("plant", "visit", "leaf", "person"),
    run=run,
)
