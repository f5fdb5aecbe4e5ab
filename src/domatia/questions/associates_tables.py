"""The tables of the associates question: shares by group and by holder with intervals, and a mixed model."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.looks import VACANT
from domatia.questions.associates_jackknife import sums_by, without_each
from domatia.questions.associates_numbers import LEAST, Material
from domatia.stats.families import Binomial
from domatia.stats.mixed_fit import RandomTerm
from domatia.stats.mixed_laplace import LaplaceFit, fit_laplace

Array = NDArray[np.float64]

LEAST_EVENTS = 3
"""Looks with, and without, that each state of plants needs in the mixed model."""
LEAST_TWICE = 20
"""Plants found with one at two looks or more that the spread between plants needs."""
RANDOM, ALIKE = "random", "taken as alike"
_WIDEST = 3.0
"""Standard deviation (log odds) above which the search for a spread has run off."""


def tables(about: Material) -> dict[str, pl.DataFrame]:
    """Give how often each kind was found, by group, by who held the plant, and old ones."""
    late = about.told.filter(pl.col("late") & pl.col("value").is_not_null())
    known = about.told.filter(pl.col("known").is_in(about.holders))
    seen = about.seen.rows.group_by("kind").agg(
        looks=pl.len(), in_use=pl.col("there").sum(), old=pl.col("old").sum(), plants=pl.col("plant").n_unique()
    )
    groups = sorted(late["value"].unique().to_list())
    by_occupant = shares(about, known.with_columns(occupant="known"), "occupant", about.holders)
    found = {
        "by_group": shares(about, late.with_columns(group="value"), "group", groups),
        "by_occupant": by_occupant,
        "mixed_model": mixed(about, known),
        "all_looks": seen.sort("kind"),
        "bars": bars(by_occupant),
    }
    return {name: t for name, t in found.items() if t.height}


def shares(about: Material, rows: pl.DataFrame, by: str, names: Sequence[str]) -> pl.DataFrame:
    """Give the share of looks by kind and group, with intervals that leave out one block at a time.

    Without an interval where there are fewer than 10 looks or three blocks, or no spread to tell it by.
    """
    found = []
    for kind in about.kinds:
        for name in names:
            own = rows.filter((pl.col("kind") == kind) & (pl.col(by) == name))
            if own.height:
                told = (own.height, own["plant"].n_unique(), int(own["y"].sum()), own["y"].sum() / own.height)
                found.append((kind, own["where"][0], name, *told, *_ends(own)))
    schema = {"kind": pl.String, "where": pl.String, by: pl.String, "looks": pl.Int64, "plants": pl.Int64,
              "with": pl.Int64, "share": pl.Float64, "low": pl.Float64, "high": pl.Float64}  # fmt: skip
    return pl.DataFrame(found, schema=schema, orient="row")


def _ends(own: pl.DataFrame) -> tuple[float | None, float | None]:
    blocks = own["cluster"].n_unique()
    if own.height < 2 * LEAST or blocks < 3:
        return None, None
    codes = own["cluster"].rank("dense").cast(pl.Int64).to_numpy() - 1
    y, n = (sums_by(codes, v, blocks) for v in (own["y"].cast(pl.Float64).to_numpy(), np.ones(own.height)))
    c = without_each(y[None], n[None], np.ones(1))
    if c.se[0] <= 0.0:
        return None, None
    return max(float(c.low[0]), 0.0), min(float(c.high[0]), 1.0)


def bars(by_occupant: pl.DataFrame) -> pl.DataFrame:
    """Give the shares by kind and holder that have an interval, for the figure."""
    told = by_occupant.filter(pl.col("low").is_not_null())
    return told.select(group="occupant", x="kind", y="share", low="low", high="high")


def mixed(about: Material, known: pl.DataFrame) -> pl.DataFrame:
    """Give odds ratios of each holder against vacant plants from a binomial model of all looks, each kind for itself.

    Of like plants in like blocks where plants are random; of like blocks only where they are "taken as alike", since
    too few were found with one at two looks (column `plants`). The two are not the same number. Errors are clustered
    by block (CR2), with t.
    """
    rows = []
    for kind in about.kinds:
        rows += _mixed(known.filter(pl.col("kind") == kind), about)
    schema = {"kind": pl.String, "where": pl.String, "occupant": pl.String, "against": pl.String, "plants": pl.String,
              "odds_ratio": pl.Float64, "low": pl.Float64, "high": pl.Float64}  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def _mixed(rows: pl.DataFrame, about: Material) -> list[tuple[object, ...]]:
    counts = rows.group_by("known").agg(with_=pl.col("y").sum(), n=pl.len(), blocks=pl.col("cluster").n_unique())
    enough = counts.filter(
        (pl.col("with_") >= LEAST_EVENTS) & (pl.col("n") - pl.col("with_") >= LEAST_EVENTS) & (pl.col("blocks") > 1)
    )
    names = [h for h in about.holders if h in set(enough["known"])]
    if not about.blocks_known or VACANT not in names or len(names) < 2:
        return []
    some = rows.filter(pl.col("known").is_in(names)).sort("plant", "t")
    X = np.column_stack([np.ones(some.height), *((some["known"] == h).cast(pl.Float64).to_numpy() for h in names[1:])])
    fit = _fitted(some, X, ("constant", *names[1:]))
    if fit is None or fit.scores is None:
        return []
    doubt = fit.scores.uncertainty("CR2")
    found: list[tuple[object, ...]] = []
    for holder in names[1:]:
        if holder not in fit.parameter_names:
            continue
        w = np.zeros(len(fit.parameters))
        w[fit.parameter_names.index(holder)] = 1.0
        own = replace(doubt, df=min(doubt.df, max(fit.scores.contrast_df(w), 1.0)))
        c = own.linear(np.atleast_1d(w @ fit.parameters), w[None, :]).exponential()
        ratio, low, high = (float(v[0]) for v in (c.estimate, c.low, c.high))
        if np.isfinite([ratio, low, high]).all():
            plants = RANDOM if "plant" in fit.random_names else ALIKE
            found.append((some["kind"][0], some["where"][0], holder, VACANT, plants, ratio, low, high))
    return found


def _fitted(rows: pl.DataFrame, X: Array, names: tuple[str, ...]) -> LaplaceFit | None:
    """Fit with plants random where enough were found with one at two looks, and with blocks random.

    Elsewhere the spread between plants cannot be told (a new nest ends a plant's looks), and the search for it may run
    off: looks then count as independent given their block. None where the search did not end.
    """
    y = rows["y"].cast(pl.Float64).to_numpy()
    cluster = rows["cluster"].to_numpy()
    twice = rows.group_by("plant").agg(n=pl.col("y").sum()).filter(pl.col("n") > 1).height
    block = RandomTerm("block", cluster)
    plant = RandomTerm("plant", rows["plant"].rank("dense").cast(pl.Int64).to_numpy())
    for random in ((plant, block), (block,)) if twice >= LEAST_TWICE else ((block,),):
        fit = fit_laplace(Binomial(y, np.ones(len(y))), X, names, random, clusters=cluster)
        if fit.converged and fit.random_sd.max() <= _WIDEST:
            return fit
    return None
