"""The tables of the light question: curves, classes of openness, overlaps beside chance, later years, methods."""

from typing import Any

import numpy as np
import polars as pl

from domatia.model.dates import DAYS_A_YEAR
from domatia.questions.light_numbers import OTHERS, Material
from domatia.stats.leave_one_out import leave_one_out
from domatia.stats.overlap import NullModel, permuted_within_blocks
from domatia.stats.response_curves import ResponseCurves

CLASS_WIDTH = 10.0
LEAST_IN_CLASS = 30
_DRAWS, _FEWER_DRAWS, _MANY = 999, 199, 20_000
"""Arrangements tried, and how many where there are more plants than that."""
_LEAST_BLOCKS = 3
_REACHED = {
    "inside": "yes",
    "low end": "no: the share still rises towards the dark end",
    "high end": "no: the share still rises towards the light end",
}


def tables(about: Material, curves: ResponseCurves, rng: np.random.Generator) -> dict[str, pl.DataFrame]:
    """Give the tables beside the effects."""
    classes = in_classes(about)
    found = {
        "response": responses(about, curves),
        "overlap_and_chance": overlap_and_chance(about, classes, rng),
        "by_openness": by_openness(about, classes),
        "by_year": by_year(about),
        "methods": methods(about),
        "curve": curve(about, curves),
    }
    return {name: t for name, t in found.items() if t.height}


def curve(about: Material, curves: ResponseCurves) -> pl.DataFrame:
    """Give the fitted share of each occupant over openness."""
    x = curves.grid[::5]
    parts = []
    for k, name in enumerate(about.kinds):
        c = curves.share(k, x)
        parts.append(pl.DataFrame({"group": [name] * len(x), "x": x, "y": c.estimate, "low": c.low, "high": c.high}))
    return pl.concat(parts)


def in_classes(about: Material) -> pl.Series:
    """Give the lower end of each plant's class of openness; a class with few plants joins its neighbour inwards."""
    low = (about.plants["openness"] / CLASS_WIDTH).floor() * CLASS_WIDTH
    low = low.clip(upper_bound=100.0 - CLASS_WIDTH)
    counts = dict(low.value_counts().iter_rows())
    big = sorted(c for c, n in counts.items() if n >= LEAST_IN_CLASS)
    if not big:
        return pl.Series("class", [0.0] * low.len())
    inner = np.array(big)
    at = np.abs(low.to_numpy()[:, None] - inner).argmin(axis=1)
    return pl.Series("class", inner[at])


def by_openness(about: Material, classes: pl.Series) -> pl.DataFrame:
    """Give plants and the share that each occupant holds by class of openness."""
    rows = about.plants.with_columns(classes.alias("from_pct"))
    shares = [(pl.col("kind") == k).mean().alias(name) for k, name in enumerate(about.kinds)]
    return rows.group_by("from_pct").agg(
        pl.col("openness").mean().alias("mean_pct"), pl.len().alias("plants"), *shares
    ).sort("from_pct")  # fmt: skip


def observed(table: pl.DataFrame, kinds: tuple[str, ...]) -> pl.DataFrame:
    """Give the observed shares as points of a figure."""
    parts = [
        table.select(pl.lit(name).alias("group"), pl.col("mean_pct").alias("x"), pl.col(name).alias("y"))
        for name in kinds
    ]
    return pl.concat(parts)


def responses(about: Material, curves: ResponseCurves) -> pl.DataFrame:
    """Give optimum, whether it was reached, mean and breadth of each occupant."""
    rows = []
    for k, name in enumerate(about.kinds):
        best = curves.optimum(k)
        mean, breadth = curves.mean(k), curves.breadth(k)
        inside = best.reached == "inside"
        bounds = [v if inside and np.isfinite(v) else None for v in (best.at, best.low, best.high)]
        anywhere = inside and not np.isfinite([best.low, best.high]).any()
        reached = "not clear: the curve may be level" if anywhere else _REACHED[best.reached]
        rows.append((name, int((about.kind == k).sum()), reached, *bounds,
                     float(mean.estimate[0]), float(breadth.estimate[0])))  # fmt: skip
    schema = {"occupant": pl.String, "plants": pl.Int64, "optimum_reached": pl.String, "optimum_pct": pl.Float64,
              "low": pl.Float64, "high": pl.Float64, "mean_pct": pl.Float64, "breadth_pct": pl.Float64}  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def null_model(about: Material, classes: pl.Series, rng: np.random.Generator) -> NullModel | None:
    """Deal the occupants anew among the plants of each block."""
    code = classes.rank("dense").cast(pl.Int64).to_numpy() - 1
    ants = np.array(about.ants)
    mixed = (about.plants.group_by("cluster").agg(pl.col("kind").n_unique())["kind"] > 1).any()
    if len(ants) < 2 or code.max() < 1 or not mixed:
        return None
    draws = _DRAWS if about.plants.height <= _MANY else _FEWER_DRAWS
    return permuted_within_blocks(about.kind, (code, about.cluster), ants, rng, draws=draws)


def overlap_and_chance(about: Material, classes: pl.Series, rng: np.random.Generator) -> pl.DataFrame:
    """Give Pianka's overlap of each two ants over classes of openness, beside what permuting within blocks gives."""
    schema = {"ant": pl.String, "other": pl.String, "overlap": pl.Float64, "by_chance": pl.Float64,
              "p_less": pl.Float64, "p_more": pl.Float64, "arrangements": pl.Int64}  # fmt: skip
    found = null_model(about, classes, rng)
    rows: list[tuple[Any, ...]] = []
    if found is not None:
        names = [about.kinds[k] for k in about.ants]
        pairs = [(names[i], names[j]) for i, j in found.pairs] + [("all", "mean of all pairs")]
        for pair, *values in zip(
            pairs, found.observed, found.expected, found.p_less, found.p_more, strict=True
        ):  # fmt: skip
            rows.append((*pair, *(float(v) for v in values), found.arrangements))
    return pl.DataFrame(rows, schema=schema, orient="row")


def by_year(about: Material) -> pl.DataFrame:
    """Give the share of each occupant by third of openness and year since the plant's first look.

    With intervals that leave out one block at a time, where there are three blocks or more.
    """
    rows = about.seen.looks.join(about.plants.select("plant", "cluster", first="t"), on="plant", how="inner")
    if rows.is_empty():
        return pl.DataFrame()
    cuts = np.quantile(about.openness, [1 / 3, 2 / 3])
    rows = rows.with_columns(
        year=((pl.col("t") - pl.col("first")) / DAYS_A_YEAR).round().cast(pl.Int64),
        light=pl.when(pl.col("openness") <= cuts[0]).then(pl.lit("darkest third"))
        .when(pl.col("openness") <= cuts[1]).then(pl.lit("middle third")).otherwise(pl.lit("lightest third")),
    )  # fmt: skip
    one = rows.sort("plant", "year", "t").unique(["plant", "year"], keep="first", maintain_order=True)
    parts = [
        _shares(about, own).with_columns(pl.lit(year).alias("year"), pl.lit(light).alias("light"))
        for (year, light), own in one.group_by(["year", "light"], maintain_order=True)
    ]
    return pl.concat(parts).select("year", "light", "occupant", "plants", "share", "low", "high").sort(
        "year", "light", "occupant"
    )  # fmt: skip


def _shares(about: Material, rows: pl.DataFrame) -> pl.DataFrame:
    """Give the share that each occupant holds of these plants."""
    held = [
        rows["state"].is_in(list(about.lumped)) if name == OTHERS else rows["state"] == name for name in about.kinds
    ]
    y = np.column_stack([h.cast(pl.Float64).to_numpy() for h in held])
    codes = rows["cluster"].rank("dense").cast(pl.Int64).to_numpy() - 1
    blocks = int(codes.max()) + 1
    found = pl.DataFrame({"occupant": about.kinds, "plants": [rows.height] * len(held), "share": y.mean(axis=0)})
    if not about.blocks_known or blocks < _LEAST_BLOCKS:
        return found.with_columns(low=pl.lit(None, pl.Float64), high=pl.lit(None, pl.Float64))
    n = np.bincount(codes, minlength=blocks).astype(np.float64)
    total = np.stack([np.bincount(codes, column, blocks) for column in y.T], axis=1)
    values, doubt = leave_one_out(lambda kept: total[kept].sum(axis=0) / n[kept].sum(), blocks)
    c = doubt.linear(values, np.eye(len(values)))
    # a share that never varies between blocks has no spread to tell its doubt by
    ends = (np.where(c.se > 0, v, np.nan).clip(0.0, 1.0) for v in (c.low, c.high))
    low, high = (pl.Series(v).fill_nan(None) for v in ends)
    return found.with_columns(low=low, high=high)


def methods(about: Material) -> pl.DataFrame:
    """Give the methods by which openness was read, and the lines that bring one to the other."""
    light = about.seen.light
    lines = {c.method: c for c in light.calibrations}
    rows = []
    for name, n in light.readings.items():
        line = lines.get(name)
        use = "in use" if name == light.method else "calibrated" if line else "left out: no calibration"
        numbers = (line.plants, line.intercept, line.slope, line.spread) if line else (None,) * 4
        rows.append((name or "not written down", n, use, *numbers))
    schema = {"method": pl.String, "readings": pl.Int64, "use": pl.String, "plants_by_both": pl.Int64,
              "intercept_pct": pl.Float64, "slope": pl.Float64, "spread_pct": pl.Float64}  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")
