"""The numbers of the palatability question: leaves of a dish, means of groups, their differences and ratios."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.facts import plant_facts
from domatia.histories.feeding import ALONE, CHOICE, NO_SOURCE, Feeding, feeding
from domatia.histories.groups import Groups, Pair, groups_of
from domatia.histories.moments import position
from domatia.model import Ask, Effect, Rows, StudyData
from domatia.stats.clustering import Estimate, Uncertainty
from domatia.stats.paired import two_way_uncertainty

Array = NDArray[np.float64]

LEAST_LEAVES = 5
"""Leaves of each group, or dishes of a choice; common practice, no source."""
LEAST_ANIMALS = 6
"""Animals of one consumer for numbers of its own; common practice, no source."""
AT_ALL = 0.05
"""A leaf of which more than this share was eaten counts as eaten at all, since less may be wilting; common practice, no
source."""
SOURCE = "leaf source"
FED_TO = ", fed to "
NOT_COMPARED = "leaf of a plant that is not compared"
BEFORE = "leaf fed before the treatment of its plant began"


@dataclass(frozen=True)
class Contrast:
    """One way to tell leaves apart.

    Attributes
    ----------
    column : str
        "treatment", a field of the plants, or "leaf source".
    names : tuple of str
        The reference first.
    pairs : tuple of Pair
    table : polars.DataFrame
        Leaves with `value` (group), `block` (id) and what `domatia.histories.feeding.feeding` gives.
    left_out : dict of str to list of bytes
    """

    column: str
    names: tuple[str, ...]
    pairs: tuple[Pair, ...]
    table: pl.DataFrame
    left_out: dict[str, list[bytes]]


@dataclass(frozen=True)
class Material:
    """The leaves that the question rests on."""

    read: Feeding
    contrasts: tuple[Contrast, ...]
    groups: Groups | None
    early: tuple[bytes, ...] = ()
    """Leaves fed before the treatment of their plants began: no part of the comparison of treatments."""

    def contrast_of(self, effect: Effect) -> Contrast:
        """Give the contrast that an effect is of."""
        where = effect.where.partition(FED_TO)[0]
        return next(c for c in self.contrasts if where in [where_of(c, k) for k in (CHOICE, ALONE)])

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        known = {i for c in self.contrasts for i in c.table["record_id"].to_list()}
        used = sorted(known)
        kept_ids = pl.DataFrame({"record_id": used}, schema={"record_id": pl.Binary})
        table = self.read.table.join(kept_ids, on="record_id", how="semi")
        left_out = {**self.read.left_out, BEFORE: [i for i in self.early if i not in known]}
        for c in self.contrasts:
            left_out |= {r: [i for i in ids if i not in known] for r, ids in c.left_out.items()}
        dishes, animals = table["dish"].n_unique(), table["animal"].n_unique()
        words = f"{len(used):,} {'leaf' if len(used) == 1 else 'leaves'} in {dishes:,} dishes, {animals:,} animals fed"
        if not table["animal_named"].all():
            words = f"{len(used):,} {'leaf' if len(used) == 1 else 'leaves'} in {dishes:,} dishes"
        kept = {r: ids for r, ids in left_out.items() if ids}
        blocks = self.contrasts[0].table["block"].drop_nulls().n_unique() if self.contrasts else 0
        plants = table["plant"].drop_nulls().n_unique()
        return Rows(plants, blocks, 0, {"palatability": used}, kept, words)


def gather(data: StudyData, ask: Ask) -> Material:
    """Read the leaves and find out by what they are compared: treatment or field of their plants, and source."""
    read = feeding(data)
    facts = plant_facts(data)
    blocks = facts.select("plant", block="group")
    table = read.table.join(blocks, on="plant", how="left", maintain_order="left")
    found, groups, early = [], None, table.clear()
    if ask.by != "leaf_source":
        early = _early(table, facts) if ask.by in ("", "treatment") else early
        treated = table.join(early, on="record_id", how="anti", maintain_order="left")
        groups = _groups(treated, facts, ask)
        if groups is not None:
            found.append(_by_plants(treated, groups))
    by_source = _by_source(table)
    if by_source is not None and ask.by in ("", "treatment", "leaf_source"):
        found.append(by_source)
    return Material(read, tuple(c for c in found if c.table.height), groups, tuple(early["record_id"].to_list()))


def _early(table: pl.DataFrame, facts: pl.DataFrame) -> pl.DataFrame:
    """Give the leaves fed before the first day of the treatment of their plants."""
    begun = facts.select("plant", start=position("start"))
    rows = table.join(begun, on="plant", how="left", maintain_order="left")
    return rows.filter(pl.col("t") < pl.col("start"))


def _groups(table: pl.DataFrame, facts: pl.DataFrame, ask: Ask) -> Groups | None:
    own = facts.join(table, on="plant", how="semi")
    if ask.by in ("", "treatment"):
        treated = own["treatment"].drop_nulls().n_unique() if "treatment" in own.columns else 0
        return groups_of(own, "", ask.pool) if treated > 1 else None
    return groups_of(own if own.height else facts, ask.by, ask.pool)


def _by_plants(table: pl.DataFrame, groups: Groups) -> Contrast:
    named = table.join(groups.members, on="plant", how="left", maintain_order="left")
    inside = pl.col("value").is_not_null()
    out = named.filter(~inside)["record_id"].to_list()
    return Contrast(groups.column, groups.names, groups.pairs, named.filter(inside), {NOT_COMPARED: out} if out else {})


def _by_source(table: pl.DataFrame) -> Contrast | None:
    sizes = table["source"].value_counts(name="n").sort(["n", "source"], descending=[True, False])
    names = tuple(sizes["source"].to_list())
    if len(names) < 2:
        return None
    pairs = tuple(Pair(n, names[0], "primary" if i == 0 else "other") for i, n in enumerate(names[1:]))
    return Contrast(SOURCE, names, pairs, table.with_columns(value=pl.col("source")), {})


def part(contrast: Contrast, kind: str, pair: tuple[str, str]) -> pl.DataFrame:
    """Give the leaves of two groups: in a choice those of dishes that hold both, else those fed alone."""
    own = contrast.table.filter(pl.col("value").is_in(list(pair)))
    if kind == ALONE:
        return own.filter(pl.col("kind") == ALONE)
    both = pl.col("value").n_unique().over("dish") == 2
    return own.filter((pl.col("kind") == CHOICE) & both)


def effects(about: Material) -> list[Effect]:
    """Give the effects: choices before leaves fed alone, the main contrast first, each consumer by itself last."""
    found = [e for contrast in about.contrasts for e in _of_pairs(contrast)]
    for contrast in about.contrasts:
        for consumer in consumers(contrast.table):
            own = contrast.table.filter(pl.col("consumer") == consumer)
            found += _of_pairs(replace(contrast, table=own), consumer)
    return found


def _of_pairs(contrast: Contrast, consumer: str = "") -> list[Effect]:
    pairs = [(p.of, p.against) for p in contrast.pairs]
    return [e for kind in (CHOICE, ALONE) for pair in pairs for e in _compared(contrast, kind, pair, consumer)]


def consumers(table: pl.DataFrame) -> list[str]:
    """Name the consumers to be told apart: none where there is only one."""
    names = table["consumer"].unique().sort().to_list()
    return [n for n in names if n != NO_SOURCE] if len(names) > 1 else []


def where_of(contrast: Contrast, kind: str) -> str:
    """Say where an effect holds."""
    return kind if contrast.column != SOURCE else f"{kind}, leaf source"


def leaf_groups(rows: pl.DataFrame, pair: tuple[str, str]) -> bool:
    """Tell whether both groups have enough leaves."""
    counts: Mapping[str, int] = dict(rows.group_by("value").len().iter_rows())
    return all(counts.get(n, 0) >= LEAST_LEAVES for n in pair)


def _compared(contrast: Contrast, kind: str, pair: tuple[str, str], consumer: str) -> list[Effect]:
    rows = part(contrast, kind, pair)
    if not leaf_groups(rows, pair) or rows["animal"].n_unique() < (LEAST_ANIMALS if consumer else 2):
        return []
    where = where_of(contrast, kind) + (f"{FED_TO}{consumer}" if consumer else "")
    found: list[Effect] = []
    share, doubt = means(rows, pair, rows["share"].to_numpy())
    hit = (rows["share"] > AT_ALL).cast(pl.Float64).to_numpy()
    some, sure = means(rows, pair, hit)
    gap = np.array([[1.0, -1.0]])
    if doubt.covariance.any():
        found.append(_effect(("eaten_difference", *pair), doubt.linear(gap @ share, gap), where))
    if sure.covariance.any():
        found.append(_effect(("eaten_at_all_difference", *pair), _inside(sure.linear(gap @ some, gap)), where))
    if (share > 0.0).all() and doubt.covariance.any():
        slope = gap / share
        ratio = doubt.linear(gap @ np.log(share), slope).exponential()
        found.append(_effect(("eaten_ratio", *pair), ratio, where))
    return found


def _inside(e: Estimate) -> Estimate:
    return Estimate(e.estimate, e.se, np.maximum(e.low, -1.0), np.minimum(e.high, 1.0))


def means(rows: pl.DataFrame, names: tuple[str, ...], values: Array) -> tuple[Array, Uncertainty]:
    """Give the mean of each group, with errors over animals and, where leaves come from several blocks, over these."""
    group = np.column_stack([(rows["value"] == n).to_numpy() for n in names]).astype(np.float64)
    size = group.sum(axis=0)
    mean = values @ group / size
    adds = group * (values[:, None] - mean) / size
    animal = rows["animal"].rank("dense").cast(pl.Int64).to_numpy()
    block = None
    if rows["block"].drop_nulls().n_unique() > 1:
        # a leaf of a plant that is not named stands for a block of its own
        place = rows.select(pl.coalesce(pl.col("block").bin.encode("hex"), pl.format("dish {}", "dish")))
        block = place.to_series().rank("dense").cast(pl.Int64).to_numpy()
    return mean, two_way_uncertainty(adds, group, animal, block)


def _effect(told: tuple[str, str, str], e: Estimate, where: str) -> Effect:
    value, low, high, se = (float(v[0]) for v in (e.estimate, e.low, e.high, e.se))
    return Effect(*told, value, low, high, where=where, standard_error=se)


def shares(about: Material) -> pl.DataFrame:
    """Give the mean share eaten of each group, with its interval, for the main contrast and the others."""
    lines = []
    for contrast in about.contrasts:
        for kind in (CHOICE, ALONE):
            own = contrast.table.filter(pl.col("kind") == kind)
            names = [n for n in contrast.names if own.filter(pl.col("value") == n).height >= LEAST_LEAVES]
            rows = own.filter(pl.col("value").is_in(names))
            if not names or rows["animal"].n_unique() < 2:
                continue
            mean, doubt = means(rows, tuple(names), rows["share"].to_numpy())
            e = doubt.linear(mean, np.eye(len(names)))
            for j, name in enumerate(names):
                leaves = rows.filter(pl.col("value") == name)
                lines.append(
                    (contrast.column, name, kind, float(mean[j]), float(e.low[j]), float(e.high[j]), leaves.height,
                     leaves["dish"].n_unique(), float(np.mean(leaves["share"].to_numpy() > AT_ALL)),
                     float(np.mean(leaves["lost"].to_numpy())), float(np.mean(leaves["control"].to_numpy())))
                )  # fmt: skip
    return pl.DataFrame(lines, schema=_SHARES, orient="row")


_SHARES = {
    "compared_by": pl.String, "group": pl.String, "x": pl.String, "y": pl.Float64, "low": pl.Float64,
    "high": pl.Float64, "leaves": pl.Int64, "dishes": pl.Int64, "eaten_at_all": pl.Float64, "share_gone": pl.Float64,
    "share_gone_of_controls": pl.Float64,
}  # fmt: skip
