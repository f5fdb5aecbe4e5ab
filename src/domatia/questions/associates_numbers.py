"""The numbers of the associates question: differences of shares over blocks, and exact odds ratios within blocks."""

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
from domatia.questions.associates_jackknife import sums_by, without_each
from domatia.stats.clustering import Estimate, two_sided_quantile
from domatia.stats.exact import median_unbiased, stratified_exact

Array = NDArray[np.float64]

LEAST = 5
"""Plants that each of two groups needs for an exact comparison."""
LEAST_LOOKS, LEAST_BLOCKS = 20, 3
"""Looks that a state of plants needs, and blocks with looks at both states, for a difference of shares."""
BEFORE = "look from before the treatment began"
OCCUPIED = "as occupied"
TOGETHER = "on one plant, at the first look for both"
_LEVEL = 0.95


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
            found += within_blocks(rows, (holder, VACANT), about.blocks_known)
            found += exact(rows, "known", (holder, VACANT), "odds_ratio_exact_as_occupied", about.blocks_known)
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
    y, n = _sums(both, "value", pair)
    c = without_each(y, n, np.array([-1.0, 1.0]))
    return [] if c.se[0] <= 0.0 else [_effect("share_difference", pair, c, where_of(both))]


def _sums(rows: pl.DataFrame, column: str, pair: tuple[str, str]) -> tuple[Array, Array]:
    """Add up looks that found one, and all looks, of the second and first of the pair by block."""
    codes = rows["cluster"].rank("dense").cast(pl.Int64).to_numpy() - 1
    clusters = int(codes.max()) + 1
    at = (rows[column] == pair[0]).cast(pl.Int64).to_numpy() * clusters + codes
    y = sums_by(at, rows["y"].cast(pl.Float64).to_numpy(), 2 * clusters).reshape(2, -1)
    return y, sums_by(at, np.ones(len(at)), 2 * clusters).reshape(2, -1)


def within_blocks(rows: pl.DataFrame, pair: tuple[str, str], blocks: bool) -> list[Effect]:
    """Give the difference of the shares of all looks within blocks, leaving out one block at a time.

    Blocks weigh by n1 n0 / (n1 + n0), so that a block with few looks at either state counts little (Greenland & Robins
    1985, Biometrics 41:55-68). The t quantile has the degrees of freedom of as many blocks of equal weight as would
    be as telling. Where plants stand in no blocks the shares of all looks are compared, leaving out a plant at a time.
    """
    both = rows.filter(pl.col("known").is_in(pair))
    held = int((both["known"] == pair[0]).sum())
    if min(held, both.height - held) < LEAST_LOOKS:
        return []
    y, n = _sums(both, "known", pair)
    weight = n[0] * n[1] / n.sum(axis=0)
    if not blocks:
        c = without_each(y, n, np.array([-1.0, 1.0]))
    elif np.count_nonzero(weight) >= LEAST_BLOCKS:
        gap = (y[1] * n[0] - y[0] * n[1]) / n.sum(axis=0)
        telling = float(weight.sum() ** 2 / (weight**2).sum())
        c = without_each(gap[None], weight[None], np.ones(1), max(telling - 1.0, 1.0))
    else:
        return []
    return [] if c.se[0] <= 0.0 else [_effect("share_difference_as_occupied", pair, c, where_of(both))]


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
