"""Tables of the rewards question: months, what a nectary gives, domatia by rank, the budget of a colony."""

import numpy as np
import polars as pl

from domatia.histories import rewards as history
from domatia.model import StudyData
from domatia.questions.rewards_numbers import (
    FOOD,
    LEAST_CLUSTERS,
    NECTAR,
    STANDING,
    Array,
    Kept,
    Material,
    Means,
    Measure,
    given,
    monthly_mean,
    saved,
    workers,
)
from domatia.stats.clustering import Estimate
from domatia.stats.leave_one_out import leave_one_out

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_BUDGET = {"what": pl.String, "estimate": pl.Float64, "low": pl.Float64, "high": pl.Float64, "unit": pl.String}


def tables(data: StudyData, about: Material, found: Means) -> dict[str, pl.DataFrame]:
    """Give all tables that hold something."""
    every = {
        "months": months(about, found),
        "nectaries": nectaries(about),
        "by_rank": by_rank(data),
        "by_occupant": by_occupant(data, about),
        "budget": budget(found),
        "calibrations": _calibrations(about),
    }
    return {name: t for name, t in every.items() if t.height}


def months(about: Material, found: Means) -> pl.DataFrame:
    """Give each month's mean of nectar production and of food bodies in J per plant and day, with intervals."""
    parts = []
    factors = {NECTAR: 1.0}
    if history.FOOD_ENERGY in found:
        factors[FOOD] = found[history.FOOD_ENERGY]
    for name, factor in factors.items():
        measure = about.measure(name)
        if measure is not None:
            parts.append(_by_month(measure, about.clusters, factor))
    schema = {"group": pl.String, "month": pl.Int64, "x": pl.String, "y": pl.Float64, "low": pl.Float64,
              "high": pl.Float64, "records": pl.Int64, "unit": pl.String}  # fmt: skip
    return pl.concat(parts).sort("month", "group") if parts else pl.DataFrame(schema=schema)


def _by_month(measure: Measure, clusters: int, factor: float) -> pl.DataFrame:
    rows = []
    for m in np.unique(measure.months).tolist():
        own = measure.months == m
        blocks = len(np.unique(measure.cluster[own]))
        statistic = monthly_mean(measure, (m,), clusters)
        if blocks >= LEAST_CLUSTERS:
            values, doubt = leave_one_out(statistic, clusters)
            one = doubt.linear(values * factor, np.array([[factor]]))
            y, low, high = float(one.estimate[0]), max(float(one.low[0]), 0.0), float(one.high[0])
            ends: tuple[float | None, float | None] = (low, high)
        else:
            y, ends = factor * float(measure.values[own].mean()), (None, None)
        rows.append((measure.name, m, MONTHS[m - 1], y, *ends, int(own.sum()), "J/d"))
    schema = {"group": pl.String, "month": pl.Int64, "x": pl.String, "y": pl.Float64, "low": pl.Float64,
              "high": pl.Float64, "records": pl.Int64, "unit": pl.String}  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def nectaries(about: Material) -> pl.DataFrame:
    """Give what a nectary holds or makes: means over records with intervals, for comparison with other studies."""
    each = pl.col("nectaries")
    pure = (pl.col("volume_ul") > 0) & (pl.col("dilution").fill_null(1.0) <= 1)
    wanted = (
        ("volume", "µL", pl.col("volume_ul") / each),
        ("reading at 20 °C, undiluted", "per cent by weight", pl.when(pure).then("brix_20")),
        ("sugar", "mg", pl.col("sugar_mg") / each),
        ("energy", "J", pl.col("joules")),
    )
    parts = [
        _means(about.nectar.with_columns(value=value), "kind").with_columns(of=pl.lit(what), unit=pl.lit(unit))
        for what, unit, value in wanted
    ]
    found = pl.concat(parts).sort("kind", maintain_order=True)
    made = (pl.col("kind") == history.PRODUCTION) & (pl.col("of") == "energy")
    found = found.with_columns(unit=pl.when(made).then(pl.lit("J/d")).otherwise("unit"))
    return found.select("kind", "of", "records", "mean", "low", "high", "unit")


def by_occupant(data: StudyData, about: Material) -> pl.DataFrame:
    """Give nectar made by who lived on the plant at the last look; no experiment: plants that give more keep ants."""
    made = about.nectar.filter((pl.col("kind") == history.PRODUCTION) & pl.col("nectaries_on_plant").is_not_null())
    rows = history.with_occupant(data, made).filter(pl.col("occupant").is_not_null())
    found = _means(rows.with_columns(value=pl.col("joules") * pl.col("nectaries_on_plant")), "occupant")
    return found.rename({"mean": "joules_per_plant_day"})


def by_rank(data: StudyData) -> pl.DataFrame:
    """Give the workers of domatia of plants with ants by their rank from the tip."""
    opened = history.dissections_of(data).rows.with_columns(value=pl.col("workers").cast(pl.Float64))
    counts = opened.group_by("rank").agg(
        empty=(pl.col("workers") == 0).sum(),
        queens=pl.col("queen").sum(),
    )  # fmt: skip
    found = _means(opened, "rank").join(counts, on="rank", nulls_equal=True)
    found = found.rename({"records": "domatia", "mean": "workers"})
    return found.sort("rank", nulls_last=True)


def _means(rows: pl.DataFrame, by: str) -> pl.DataFrame:
    """Give means of `value` over records by a column, with intervals that leave out one block at a time.

    Without an interval below three blocks; never below nought.
    """
    found = []
    own = rows.filter(pl.col("value").is_not_null())
    for (label,), part in own.group_by(by, maintain_order=True):
        blocks = part.group_by("group").agg(pl.col("value").sum(), pl.len()).sort("group")
        total, number = blocks["value"].to_numpy(), blocks["len"].to_numpy()
        ends: tuple[float | None, float | None] = (None, None)
        if len(total) >= LEAST_CLUSTERS:

            def mean(kept: Kept, total: Array = total, number: Array = number) -> Array:
                return np.array([total[kept].sum() / number[kept].sum()])

            values, doubt = leave_one_out(mean, len(total))
            one = doubt.linear(values, np.ones((1, 1)))
            ends = max(float(one.low[0]), 0.0), float(one.high[0])
        found.append((label, part.height, part["plant"].n_unique(), total.sum() / number.sum(), *ends))
    schema = {by: pl.Int64 if rows.schema[by].is_integer() else pl.String, "records": pl.Int64, "plants": pl.Int64,
              "mean": pl.Float64, "low": pl.Float64, "high": pl.Float64}  # fmt: skip
    return pl.DataFrame(found, schema=schema, orient="row").sort(by, nulls_last=True)


def budget(found: Means) -> pl.DataFrame:
    """Give what a plant spends a day, and what falls to each worker, with everything's errors."""
    rows = []
    energy = history.FOOD_ENERGY
    daily: dict[str, tuple[float, dict[str, float]]] = {}
    if NECTAR in found:
        daily["nectar made"] = (found[NECTAR], {NECTAR: 1.0})
    if FOOD in found and energy in found:
        daily["food bodies"] = (found[FOOD] * found[energy], {FOOD: found[energy], energy: found[FOOD]})
    spent, leaf = given(found), saved(found)
    if spent is not None and len(daily) > 1:
        daily["nectar made and food bodies"] = (spent[0], spent[1])
    for what, (value, slopes) in daily.items():
        rows.append(_line(what, found.estimate(value, slopes), "J per plant and day"))
    if leaf is not None:
        one = found.estimate(*leaf)
        ends = (float(one.low[0]), float(one.high[0]))
        rows.append(("leaf saved", leaf[0], *ends, "J per plant and day"))
    crew = workers(found)
    if daily and crew is not None and crew[0] > 0:
        what, (value, slopes) = list(daily.items())[-1]
        each = value / crew[0]
        slopes = {k: s / crew[0] for k, s in slopes.items()} | {k: -each * s / crew[0] for k, s in crew[1].items()}
        rows.append(_line(f"{what}, per worker", found.estimate(each, slopes), "J per worker and day"))
    if STANDING in found and NECTAR in found and found[NECTAR] > 0 and found[STANDING] > 0:
        ratio = found[STANDING] / found[NECTAR]
        slopes = {STANDING: 1 / found[NECTAR], NECTAR: -ratio / found[NECTAR]}
        rows.append(_line("standing crop over a day's production", found.estimate(ratio, slopes), "days"))
    return pl.DataFrame(rows, schema=_BUDGET, orient="row")


def _line(what: str, one: Estimate, unit: str) -> tuple[str, float, float, float, str]:
    return what, float(one.estimate[0]), max(float(one.low[0]), 0.0), float(one.high[0]), unit


def _calibrations(about: Material) -> pl.DataFrame:
    rows = [
        (name, float(p.values[0]), float(np.sqrt(p.covariance[0, 0])), next(iter(history.UNITS[name])))
        for name, p in sorted(about.calibrations.items())
    ]
    schema = {"quantity": pl.String, "mean": pl.Float64, "error": pl.Float64, "unit": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")
