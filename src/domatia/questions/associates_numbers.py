"""The numbers of the associates question: shares, exact odds ratios within blocks, and a mixed model of all looks."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.associates import Associates, associates
from domatia.histories.facts import plant_facts
from domatia.histories.groups import Groups, groups_of, in_two_blocks
from domatia.histories.looks import FOUNDING, UNNAMED, VACANT
from domatia.histories.moments import position
from domatia.model import Ask, Effect, Rows, StudyData
from domatia.stats.clustering import Estimate, two_sided_quantile
from domatia.stats.exact import median_unbiased, stratified_exact
from domatia.stats.families import Binomial
from domatia.stats.leave_one_out import leave_one_out
from domatia.stats.mixed_fit import RandomTerm
from domatia.stats.mixed_laplace import LaplaceFit, fit_laplace

Array = NDArray[np.float64]

LEAST = 5
"""Plants that each of two groups needs for an exact comparison."""
LEAST_EVENTS = 3
"""Looks with, and without, that each group needs in the mixed model."""
BEFORE = "look from before the treatment began"
OCCUPIED = "as occupied"
TOGETHER = "on one plant, at the first look for both"
LEAST_TWICE = 20
"""Plants found with one at two looks or more that the spread between plants needs."""
_LEVEL = 0.95
_WIDEST = 3.0
"""Standard deviation (log odds) above which the search for a spread has run off."""


@dataclass(frozen=True)
class Material:
    """What the question rests on.

    Attributes
    ----------
    seen : Associates
    told : polars.DataFrame
        As `seen.told`, with `cluster`, `value` (group or null) and `late` (on or after the treatment began).
    groups : Groups or None
        None where plants were given no treatments and none were asked for.
    holders : tuple of str
        States of plants that are compared, vacant first.
    clusters : int
    blocks_known : bool
        Whether plants stand in blocks; without any, plants are compared across all.
    plants : list of bytes
        Record ids.
    left_out : dict of str to list of bytes
    """

    seen: Associates
    told: pl.DataFrame
    groups: Groups | None
    holders: tuple[str, ...]
    clusters: int
    blocks_known: bool
    plants: list[bytes]
    left_out: dict[str, list[bytes]]

    @property
    def kinds(self) -> tuple[str, ...]:
        """Kinds of associates, the one most often found first."""
        found = self.told.group_by("kind").agg(n=pl.col("y").sum()).sort(["n", "kind"], descending=[True, False])
        return tuple(found["kind"].to_list())

    @property
    def pairs(self) -> tuple[tuple[str, str], ...]:
        """Comparisons of groups, the primary one first."""
        return () if self.groups is None else tuple((p.of, p.against) for p in self.groups.pairs)

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        records = self.told["record_id"].sort().to_list()
        words = f"{self.told.height:,} looks for {len(self.kinds)} kinds of associates on {len(self.plants):,} plants"
        words += f" in {self.clusters} blocks" if self.blocks_known else ""
        used = {"plant": self.plants, "associate": records}
        looks = self.told.select("plant", "t").unique().height
        used = {k: v for k, v in used.items() if v}
        return Rows(len(self.plants), self.clusters, looks, used, self.left_out, words)


def gather(data: StudyData, ask: Ask) -> Material:
    """Find the looks, the groups, the holders and the blocks."""
    seen = associates(data)
    facts = plant_facts(data)
    groups = None
    if ask.by or facts["treatment"].drop_nulls().n_unique() > 1:
        groups = in_two_blocks(groups_of(facts, ask.by, ask.pool), facts, seen.told.select("plant").unique(), ask.pool)
    own = facts.select("plant", "group", plant_record="record_id", start=position("start"))
    told = seen.told.join(own, on="plant", how="inner", maintain_order="left")
    late = (pl.col("t") >= pl.col("start")).fill_null(True) if groups and groups.column == "treatment" else pl.lit(True)
    told = told.with_columns(late=late, cluster=pl.col("group").rank("dense").cast(pl.Int64) - 1)
    if groups is None:
        told = told.with_columns(value=pl.lit(None, pl.String))
    else:
        told = told.join(groups.members.select("plant", "value"), on="plant", how="left", maintain_order="left")
    told = told.sort("kind", "plant", "t")
    held = [h for h in told["known"].drop_nulls().unique().sort().to_list() if h not in (VACANT, "several", UNNAMED)]
    holders = (VACANT, *(h for h in held if h != FOUNDING), *(h for h in held if h == FOUNDING))
    clusters, plants = told["cluster"].n_unique(), told["plant"].n_unique()
    left_out = {**seen.left_out, **(groups.left_out if groups else {})}
    return Material(
        seen=seen,
        told=told,
        groups=groups,
        holders=holders,
        clusters=clusters,
        blocks_known=0 < clusters < plants,
        plants=told["plant_record"].unique().sort().to_list(),
        left_out=left_out,
    )


def where_of(rows: pl.DataFrame) -> str:
    """Name the kind and how it was counted."""
    return f"{rows['kind'][0]}, {rows['where'][0]}"


def by_groups(about: Material) -> list[Effect]:
    """Compare the groups by treatment (or the field asked for), each kind for itself."""
    found = []
    for kind in about.kinds:
        rows = about.told.filter((pl.col("kind") == kind) & pl.col("late") & pl.col("value").is_not_null())
        for pair in about.pairs:
            found += differences(rows, pair)
            found += exact(rows, "value", pair, "odds_ratio_exact", about.blocks_known)
    return found


def by_holders(about: Material) -> list[Effect]:
    """Compare plants held by each ant, or founded by a queen, with vacant ones, each kind for itself."""
    found = []
    for kind in about.kinds:
        rows = about.told.filter((pl.col("kind") == kind) & pl.col("known").is_in(about.holders))
        for holder in about.holders[1:]:
            found += exact(rows, "known", (holder, VACANT), "odds_ratio_exact_as_occupied", about.blocks_known)
        found += mixed(rows, about.holders, about.blocks_known)
    return found


def together(about: Material) -> list[Effect]:
    """Tell whether two kinds live on the same plants more or less often than chance, within blocks."""
    home = about.told.select("plant", "cluster").unique()
    rows = about.seen.rows.join(home, on="plant", how="inner")
    kinds = sorted(about.kinds)
    found = []
    for i, one in enumerate(kinds):
        for other in kinds[i + 1 :]:
            first = rows.filter(pl.col("kind") == one).select("plant", "t", "cluster", y="there")
            both = first.join(rows.filter(pl.col("kind") == other).select("plant", "t", x="there"), on=["plant", "t"])
            both = both.sort("plant", "t").unique("plant", keep="first", maintain_order=True)
            tables = _tables(both.with_columns(is_of=pl.col("x") == 1), about.blocks_known)
            if tables is not None:
                found += _exact_effect(tables, "odds_ratio_together", (one, other), TOGETHER)
    return found


def differences(rows: pl.DataFrame, pair: tuple[str, str]) -> list[Effect]:
    """Give the difference of the shares of looks, leaving out one block at a time."""
    both = rows.filter(pl.col("value").is_in(pair))
    known = both.group_by("value").agg(n=pl.len(), blocks=pl.col("cluster").n_unique())
    if known.height < 2 or min(known["n"].to_list()) < LEAST or min(known["blocks"].to_list()) < 2:
        return []
    codes = both["cluster"].rank("dense").cast(pl.Int64).to_numpy() - 1
    of, y = (both["value"] == pair[0]).cast(pl.Int64).to_numpy(), both["y"].cast(pl.Float64).to_numpy()
    clusters = int(codes.max()) + 1
    at = of * clusters + codes
    total = np.bincount(at, y, 2 * clusters).reshape(2, -1)
    number = np.bincount(at, minlength=2 * clusters).reshape(2, -1)

    def gap(kept: NDArray[np.bool_]) -> Array:
        share = total[:, kept].sum(axis=1) / np.maximum(number[:, kept].sum(axis=1), 1)
        return np.atleast_1d(share[1] - share[0])

    values, doubt = leave_one_out(gap, clusters)
    c = doubt.linear(values, np.eye(1))
    if c.se[0] <= 0.0:
        return []
    return [_effect("share_difference", pair, c, where_of(both))]


def _effect(name: str, pair: tuple[str, str], c: Estimate, where: str) -> Effect:
    estimate, low, high, se = (float(v[0]) for v in (c.estimate, c.low, c.high, c.se))
    return Effect(name, *pair, estimate, low, high, "1", where, standard_error=se)


def exact(rows: pl.DataFrame, column: str, pair: tuple[str, str], name: str, blocks: bool) -> list[Effect]:
    """Give the exact conditional odds ratio within blocks, each plant once: at its first look under either state."""
    both = rows.filter(pl.col(column).is_in(pair)).sort("plant", "t")
    one = both.unique("plant", keep="first", maintain_order=True).with_columns(is_of=pl.col(column) == pair[0])
    tables = _tables(one, blocks)
    return [] if tables is None else _exact_effect(tables, name, pair, where_of(one))


def _tables(plants: pl.DataFrame, blocks: bool) -> NDArray[np.int64] | None:
    """Count plants by block, group and outcome; None where there is nothing to compare."""
    if plants.is_empty():
        return None
    of = plants["is_of"].cast(pl.Int64).to_numpy()
    y = plants["y"].to_numpy()
    if min(of.sum(), (1 - of).sum()) < LEAST:
        return None
    cluster = plants["cluster"].to_numpy() if blocks else np.zeros(len(of), np.int64)
    codes = np.unique(cluster, return_inverse=True)[1].ravel()
    at = (codes * 2 + (1 - of)) * 2 + (1 - y)
    tables = np.bincount(at, minlength=4 * (int(codes.max()) + 1)).reshape(-1, 2, 2).astype(np.int64)
    telling = (tables.sum(axis=1) > 0).all(axis=1) & (tables.sum(axis=2) > 0).all(axis=1)
    return tables if telling.any() else None


def _exact_effect(tables: NDArray[np.int64], name: str, pair: tuple[str, str], where: str) -> list[Effect]:
    found = stratified_exact(tables)
    inside = 0.0 < found.odds_ratio < np.inf
    ratio = found.odds_ratio if inside else median_unbiased(tables)
    se = None
    if found.low > 0.0 and np.isfinite(found.high):
        se = float(np.log(found.high / found.low) / (2.0 * two_sided_quantile(_LEVEL)))
    low, high = min(found.low, ratio), max(found.high, ratio)
    return [Effect(name, *pair, ratio, low, high, "1", where, standard_error=se)]


def mixed(rows: pl.DataFrame, holders: tuple[str, ...], blocks: bool) -> list[Effect]:
    """Compare holders over all looks: a binomial model with plants within blocks random."""
    counts = rows.group_by("known").agg(with_=pl.col("y").sum(), n=pl.len(), blocks=pl.col("cluster").n_unique())
    enough = counts.filter(
        (pl.col("with_") >= LEAST_EVENTS) & (pl.col("n") - pl.col("with_") >= LEAST_EVENTS) & (pl.col("blocks") > 1)
    )
    names = [h for h in holders if h in set(enough["known"])]
    if VACANT not in names or len(names) < 2:
        return []
    some = rows.filter(pl.col("known").is_in(names)).sort("plant", "t")
    X = np.column_stack([np.ones(some.height), *((some["known"] == h).cast(pl.Float64).to_numpy() for h in names[1:])])
    fit = _fitted(some, X, ("constant", *names[1:]), blocks)
    if fit is None:
        return []
    quantile, found = two_sided_quantile(_LEVEL), []
    for j, holder in enumerate(names[1:], 1):
        value, se = float(fit.coefficients[j]), float(np.sqrt(max(fit.covariance[j, j], 0.0)))
        if not np.isfinite([value, se]).all() or se <= 0.0:
            continue
        logs = (value, se, value - quantile * se, value + quantile * se)
        c = Estimate(*(np.array([v]) for v in logs)).exponential()
        found.append(_effect("odds_ratio_mixed_as_occupied", (holder, VACANT), c, where_of(some)))
    return found


def _fitted(rows: pl.DataFrame, X: Array, names: tuple[str, ...], blocks: bool) -> LaplaceFit | None:
    """Fit with plants random where enough were found with one at two looks, and with blocks random.

    Elsewhere the spread between plants cannot be told (a new nest ends a plant's looks), and the search for it may run
    off: looks then count as independent given their block. None without any grouping or where the search did not end.
    """
    y = rows["y"].cast(pl.Float64).to_numpy()
    twice = rows.group_by("plant").agg(n=pl.col("y").sum()).filter(pl.col("n") > 1).height
    block = (RandomTerm("block", rows["cluster"].to_numpy()),) if blocks else ()
    plant = (RandomTerm("plant", rows["plant"].rank("dense").cast(pl.Int64).to_numpy()),)
    for random in ((*plant, *block), block) if twice >= LEAST_TWICE else (block,):
        if random:
            fit = fit_laplace(Binomial(y, np.ones(len(y))), X, names, random)
            if fit.converged and fit.random_sd.max() <= _WIDEST:
                return fit
    return None


def tables(about: Material) -> dict[str, pl.DataFrame]:
    """Give how often each kind was found, by group, by who held the plant, and old ones."""
    each = [pl.len().alias("looks"), pl.col("plant").n_unique().alias("plants"), pl.col("y").sum().alias("with"),
            pl.col("y").mean().alias("share")]  # fmt: skip
    late = about.told.filter(pl.col("late") & pl.col("value").is_not_null())
    known = about.told.filter(pl.col("known").is_in(about.holders))
    seen = about.seen.rows.group_by("kind").agg(
        looks=pl.len(), in_use=pl.col("there").sum(), old=pl.col("old").sum(), plants=pl.col("plant").n_unique()
    )
    found = {
        "by_group": late.group_by("kind", "where", group="value").agg(each).sort("kind", "group"),
        "by_occupant": known.group_by("kind", "where", occupant="known").agg(each).sort("kind", "occupant"),
        "all_looks": seen.sort("kind"),
        "bars": bars(about, known),
    }
    return {name: t for name, t in found.items() if t.height}


def bars(about: Material, known: pl.DataFrame) -> pl.DataFrame:
    """Give the share of looks by kind and holder with intervals over blocks, for the figure."""
    rows = []
    for kind in about.kinds:
        for holder in about.holders:
            own = known.filter((pl.col("kind") == kind) & (pl.col("known") == holder))
            if own.height < 2 * LEAST or own["cluster"].n_unique() < 3:
                continue
            codes = own["cluster"].rank("dense").cast(pl.Int64).to_numpy() - 1
            y = own["y"].cast(pl.Float64).to_numpy()
            total, number = (np.asarray(np.bincount(codes, v), dtype=np.float64) for v in (y, np.ones(len(y))))
            values, doubt = leave_one_out(_share(total, number), len(number))
            c = doubt.linear(values, np.eye(1))
            ends = (max(float(c.low[0]), 0.0), min(float(c.high[0]), 1.0))
            rows.append((holder, kind, float(c.estimate[0]), *ends))
    schema = {"group": pl.String, "x": pl.String, "y": pl.Float64, "low": pl.Float64, "high": pl.Float64}
    return pl.DataFrame(rows, schema=schema, orient="row")


def _share(total: Array, number: Array) -> Callable[[NDArray[np.bool_]], Array]:
    return lambda kept: np.atleast_1d(total[kept].sum() / number[kept].sum())
