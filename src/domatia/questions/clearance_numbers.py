"""The numbers of the clearance question: bare ground, vines that touch, and vines laid against plants."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.covariates import covariates_of
from domatia.histories.facts import plant_facts
from domatia.histories.ground import ground_looks, vine_contacts
from domatia.histories.groups import Groups, groups_of, in_two_blocks
from domatia.histories.looks import VACANT, roles_of
from domatia.histories.moments import position
from domatia.model import Ask, Effect, Rows, StudyData
from domatia.stats.clustering import Uncertainty
from domatia.stats.cox import cox
from domatia.stats.exact import fisher_exact, stratified_exact
from domatia.stats.group_means import Statistic, group_means, logits
from domatia.stats.leave_one_out import leave_one_out

Array = NDArray[np.float64]
Kept = NDArray[np.bool_]

NEAR = "plants with something growing near"
LAID = "vines laid against plants"
OCCUPIED = "as occupied, within blocks"
HELD = "held by a defending ant"
LEAST = 5


@dataclass(frozen=True)
class Material:
    """What the question rests on.

    Attributes
    ----------
    groups : Groups
    names : tuple of str
        Groups with looks or laid vines, the reference first.
    looks : polars.DataFrame
        As `domatia.histories.ground.ground_looks` gives them, with `value` and `cluster`.
    laid : polars.DataFrame
        As `domatia.histories.ground.vine_contacts` gives them, with `value`, `cluster`.
    clusters : int
    plants : list of bytes
        Record ids of the plants behind it.
    blocks_known : bool
        Whether plants stand in blocks; without any, each plant is a cluster of its own.
    left_out : dict of str to list of bytes
    """

    groups: Groups
    names: tuple[str, ...]
    looks: pl.DataFrame
    laid: pl.DataFrame
    clusters: int
    plants: list[bytes]
    blocks_known: bool
    left_out: dict[str, list[bytes]]

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        used = {"plant": self.plants, "visit": self.looks["record_id"].to_list()}
        used["vine_contact"] = self.laid["record_id"].to_list()
        words = f"{len(self.plants):,} plants in {self.clusters} "
        words += "blocks" if self.blocks_known else "clusters, each a plant"
        words += f", {self.looks.height:,} looks, {self.laid.height:,} vines laid"
        used = {k: v for k, v in used.items() if v}
        return Rows(len(self.plants), self.clusters, self.looks.height, used, self.left_out, words)


def gather(data: StudyData, ask: Ask) -> Material:
    """Find the looks at ground and vines, the laid vines, the groups and blocks."""
    facts = plant_facts(data)
    groups = groups_of(facts, ask.by, ask.pool)
    columns = covariates_of(facts, ask.adjust)
    measured = data.table("visit").filter(pl.any_horizontal(pl.col("bare_radius_cm", "vines_touching").is_not_null()))
    seen = pl.concat([measured.select("plant"), data.table("vine_contact").select("plant")]).unique()
    groups = in_two_blocks(groups, facts, seen, ask.pool)
    starts = facts.select("plant", "record_id", "group", start=position("start"))
    if groups.column != "treatment":
        starts = starts.with_columns(start=pl.lit(None, pl.Float64))
    members = groups.members.join(starts, on="plant").join(columns.plants, on="plant", how="semi").sort("plant")
    ground = ground_looks(data, members.select("plant", "start"))
    laid, early = vine_contacts(data, members.select("plant", "start"))
    there = pl.concat([ground.rows.select("plant"), laid.select("plant")]).unique()
    own = members.join(there, on="plant", how="semi").sort("plant")
    own = own.with_columns(cluster=pl.col("group").rank("dense").cast(pl.Int64) - 1)
    about = own.select("plant", "value", "cluster")
    names = tuple(n for n in groups.names if n in set(own["value"]))
    return Material(
        groups=groups,
        names=names,
        looks=ground.rows.join(about, on="plant", maintain_order="left"),
        laid=laid.join(about, on="plant", maintain_order="left"),
        clusters=own["group"].n_unique(),
        plants=own["record_id"].sort().to_list(),
        blocks_known=own["group"].n_unique() < own.height,
        left_out={**groups.left_out, **columns.left_out, **ground.left_out, **early},
    )


def _ready(about: Material, table: pl.DataFrame, column: str) -> bool:
    """Tell whether each group has values of a column in two blocks or more."""
    known = table.filter(pl.col(column).is_not_null())
    by = known.group_by("value").agg(n=pl.len(), blocks=pl.col("cluster").n_unique())
    enough = set(by.filter((pl.col("n") >= LEAST) & (pl.col("blocks") > 1))["value"])
    return len(about.names) > 1 and set(about.names) <= enough


def _group_means(about: Material, table: pl.DataFrame, column: str) -> Statistic:
    code = {n: i for i, n in enumerate(about.names)}
    there = table.filter(pl.col("value").is_in(about.names) & pl.col(column).is_not_null())
    group = there["value"].replace_strict(code, return_dtype=pl.Int64).to_numpy()
    value = there[column].cast(pl.Float64).to_numpy()
    return group_means(group, there["cluster"].to_numpy(), value, len(code), about.clusters)


def _pairs(about: Material) -> list[tuple[str, str]]:
    return [(p.of, p.against) for p in about.groups.pairs if {p.of, p.against} <= set(about.names)]


def _contrasts(
    about: Material, name: str, unit: str, found: tuple[Array, Uncertainty], *, where: str = NEAR
) -> list[Effect]:
    values, doubt = found
    at = {n: i for i, n in enumerate(about.names)}
    effects = []
    for of, against in _pairs(about):
        w = np.zeros(len(values))
        w[at[of]], w[at[against]] = 1.0, -1.0
        one = doubt.linear(np.atleast_1d(w @ values), w[None, :])
        shown = one.exponential() if "ratio" in name else one
        estimate, low, high, se = (float(v[0]) for v in (shown.estimate, shown.low, shown.high, one.se))
        effects.append(Effect(name, of, against, estimate, low, high, unit, where, standard_error=se))
    return effects


def ground(about: Material) -> list[Effect]:
    """Compare bare radius and vine contact between groups, over all looks; blocks are left out one at a time."""
    effects = []
    if _ready(about, about.looks, "radius_cm"):
        found = leave_one_out(_group_means(about, about.looks, "radius_cm"), about.clusters)
        effects += _contrasts(about, "bare_radius_difference", "cm", found)
    if _ready(about, about.looks, "vines"):
        shares = _group_means(about, about.looks, "vines")
        found = leave_one_out(shares, about.clusters)
        effects += _contrasts(about, "vine_contact_difference", "1", found)
        if _inside(about, "vines"):
            found = leave_one_out(logits(shares), about.clusters)
            effects += _contrasts(about, "vine_contact_odds_ratio", "1", found)
    return effects


def _inside(about: Material, column: str) -> bool:
    """Tell whether each group has both outcomes in two blocks, so that its share stays inside without any one."""
    for value in (0.0, 1.0):
        some = about.looks.filter(pl.col(column) == value).group_by("value").agg(pl.col("cluster").n_unique())
        by = dict(some.iter_rows())
        if any(by.get(n, 0) < 2 for n in about.names):
            return False
    return True


def exact(about: Material) -> list[Effect]:
    """Give the exact conditional odds ratio of vine contact, where each plant was looked at once for vines.

    Blocks, where there are any, are strata. Ends may be 0 or without bound.
    """
    looks = about.looks.filter(pl.col("vines").is_not_null() & pl.col("value").is_in(about.names))
    if looks.is_empty() or looks["plant"].n_unique() < looks.height:
        return []
    effects = []
    for of, against in _pairs(about):
        both = looks.filter(pl.col("value").is_in([of, against]))
        strata = both["cluster"] if about.blocks_known else pl.repeat(0, both.height, eager=True)
        counts = both.select(stratum=strata, of=pl.col("value") == of, touched=pl.col("vines") == 1)
        tables = [_square(part) for _, part in sorted(counts.group_by("stratum"), key=lambda kv: str(kv[0]))]
        whole = [t for t in tables if t.sum(axis=0).min() > 0 and t.sum(axis=1).min() > 0]
        if not whole:
            continue
        found = stratified_exact(np.array(whole)) if len(whole) > 1 else fisher_exact(whole[0])
        if np.isfinite(found.odds_ratio):
            ends = (found.odds_ratio, found.low, found.high)
            effects.append(Effect("vine_contact_exact_odds_ratio", of, against, *ends, where=NEAR))
    return effects


def _square(part: pl.DataFrame) -> NDArray[np.int64]:
    cells = [
        [part.filter((pl.col("of") == o) & (pl.col("touched") == t)).height for t in (True, False)]
        for o in (True, False)
    ]
    return np.array(cells, dtype=np.int64)


def as_occupied(data: StudyData, about: Material) -> list[Effect]:
    """Compare looks at plants held by a defending ant and at vacant ones, within blocks."""
    roles = roles_of(data)
    defenders = [a for a, r in roles.items() if r == "defender"]
    looks = about.looks.filter(pl.col("known").is_in([VACANT, *defenders]))
    looks = looks.with_columns(held=(pl.col("known") != VACANT).cast(pl.Float64))
    effects = []
    for column, name, unit in (("radius_cm", "bare_radius", "cm"), ("vines", "vine_contact", "1")):
        rows = looks.filter(pl.col(column).is_not_null())
        both = rows.group_by("held").agg(n=pl.len(), blocks=pl.col("cluster").n_unique())
        if both.height < 2 or min(both["n"].to_list()) < LEAST or min(both["blocks"].to_list()) < 2:
            continue
        values, doubt = leave_one_out(_within(rows, column, about.clusters), about.clusters)
        one = doubt.linear(values, np.eye(1))
        estimate, low, high, se = (float(v[0]) for v in (one.estimate, one.low, one.high, one.se))
        effects.append(
            Effect(f"{name}_difference_as_occupied", HELD, VACANT, estimate, low, high, unit, OCCUPIED,
                   standard_error=se)
        )  # fmt: skip
    return effects


def _within(rows: pl.DataFrame, column: str, clusters: int) -> Callable[[Kept], Array]:
    centred = rows.select(
        "cluster", *((pl.col(c) - pl.col(c).mean().over("cluster")).alias(c) for c in ("held", column))
    )
    x, y, block = (centred[c].to_numpy() for c in ("held", column, "cluster"))
    product, square = np.bincount(block, x * y, clusters), np.bincount(block, x * x, clusters)

    def slope(kept: Kept) -> Array:
        return np.atleast_1d(product[kept].sum() / max(float(square[kept].sum()), 1e-300))

    return slope


def cutting(about: Material) -> list[Effect]:
    """Compare how fast laid vines are cut: proportional hazards, those still touching at the last look censored."""
    laid = about.laid.filter(pl.col("value").is_in(about.names))
    events = dict(laid.group_by("value").agg(pl.col("cut").sum()).iter_rows())
    pairs = [p for p in _pairs(about) if min(events.get(p[0], 0), events.get(p[1], 0)) >= LEAST]
    if not pairs or not _ready(about, laid, "hours"):
        return []
    columns = np.column_stack([(laid["value"] == n).cast(pl.Float64).to_numpy() for n in about.names[1:]])
    hours = laid["hours"].to_numpy()
    fit = cox(np.zeros(len(hours)), hours, laid["cut"].to_numpy(), columns, laid["cluster"].to_numpy(), kind="CR1")
    values = np.concatenate([[0.0], fit.coefficients.estimate])
    covariance = np.zeros((len(values), len(values)))
    covariance[1:, 1:] = fit.uncertainty.covariance
    u = fit.uncertainty
    doubt = Uncertainty(covariance, covariance, u.kind, u.clusters, u.df, u.level, u.text)
    found = _contrasts(about, "vine_cut_hazard_ratio", "1", (values, doubt), where=LAID)
    return [e for e in found if (e.of, e.against) in pairs]


def tables(about: Material) -> dict[str, pl.DataFrame]:
    """Give looks by group and by who lived on the plant, radius by months held, laid vines by group, and the curve."""
    shown = {"looks": pl.len(), "plants": pl.col("plant").n_unique(), "bare_radius_cm": pl.col("radius_cm").mean(),
             "with_vines": pl.col("vines").mean()}  # fmt: skip
    each = [e.alias(n) for n, e in shown.items()]
    known = about.looks.filter(pl.col("known").is_not_null())
    step = (pl.col("months") / 6).floor().clip(upper_bound=5) * 6
    return {
        "by_group": about.looks.group_by(group="value").agg(each).sort("group"),
        "by_occupant": known.group_by(occupant="known").agg(each).sort("occupant"),
        "by_months": known.group_by(occupant="known", months_from=step).agg(each).sort("occupant", "months_from"),
        "laid": about.laid.group_by(group="value").agg(vines=pl.len(), cut=pl.col("cut").sum()).sort("group"),
        "curve": occupant_curve(known, about.clusters),
    }  # fmt: skip


def occupant_curve(known: pl.DataFrame, clusters: int) -> pl.DataFrame:
    """Give the mean bare radius by occupant and half-year since it was first seen, with intervals over blocks."""
    schema = {"group": pl.String, "x": pl.String, "y": pl.Float64, "low": pl.Float64, "high": pl.Float64}
    rows = known.filter(pl.col("radius_cm").is_not_null()).with_columns(
        step=(pl.col("months") / 6).floor().clip(upper_bound=3).cast(pl.Int64)
    )
    many = rows.group_by("known", "step").agg(n=pl.len(), blocks=pl.col("cluster").n_unique())
    many = many.filter((pl.col("n") >= 10) & (pl.col("blocks") > 2)).sort("step", "known")
    found = []
    for name, step, _, _ in many.iter_rows():
        part = rows.filter((pl.col("known") == name) & (pl.col("step") == step))
        block = part["cluster"].to_numpy()
        total = np.asarray(np.bincount(block, part["radius_cm"].to_numpy(), clusters), dtype=np.float64)
        number = np.asarray(np.bincount(block, minlength=clusters), dtype=np.float64)
        here = number > 0
        values, doubt = leave_one_out(_ratio(total[here], number[here]), int(here.sum()))
        one = doubt.linear(values, np.eye(1))
        label = f"{6 * step} to {6 * step + 6}" if step < 3 else "18 and more"
        found.append((name, label, float(one.estimate[0]), max(float(one.low[0]), 0.0), float(one.high[0])))
    return pl.DataFrame(found, schema=schema, orient="row")


def _ratio(total: Array, number: Array) -> Callable[[Kept], Array]:
    return lambda kept: np.atleast_1d(total[kept].sum() / number[kept].sum())
