"""The numbers of the damage question: plant means of marked leaves after a year, the mixed model, one-off scores."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories import leaves as scored
from domatia.histories.covariates import Covariates, covariates_of
from domatia.histories.deaths import death_intervals
from domatia.histories.facts import plant_facts
from domatia.histories.groups import Groups, groups_of, in_two_blocks
from domatia.histories.looks import FOUNDING, UNNAMED, VACANT, after_removals, looks, roles_of
from domatia.histories.moments import position
from domatia.model import Ask, Effect, Rows, StudyData
from domatia.stats.clustering import Uncertainty
from domatia.stats.leave_one_out import leave_one_out

Array = NDArray[np.float64]

YEAR = 1.0
WINDOW = 0.125
MONTHS = 12.0
LEAST_A_GROUP = 3
STANDING = "leaves scored once"
OTHER_COHORT = "leaf marked at another time than when the treatment began (shown by the year of marking)"
NOT_FOLLOWED = "marked leaf whose state at the time of comparison is not known"
TOO_EARLY = "leaf scored once before the treatment began"
NO_GROUP = "leaf of a plant that is not compared"
_SAME_MARKING_DAYS = 15.0


@dataclass(frozen=True)
class Material:
    """The leaf scores that the question rests on.

    Attributes
    ----------
    scores : LeafScores
    groups : Groups
    names : tuple of str
        Groups with plants, the reference first.
    years : float
        Time after marking at which leaves are compared: a year, or less where leaves were not followed so long.
    members : polars.DataFrame
        `plant`, `record_id`, `value`, `cluster` of all plants compared.
    rows : polars.DataFrame
        Scores of the marked leaves compared, as `followed_leaves` gives them, with `value`, `cluster`, `eaten`.
    later : polars.DataFrame
        The same of leaves marked at other times.
    after : polars.DataFrame
        What each leaf counts at that time, as `leaves_after` gives it.
    plants : polars.DataFrame
        `plant`, `value`, `cluster`, the three versions, `first`, `beyond`, `standing`.
    columns : Covariates
    alive : polars.DataFrame
        `plant`, `last`.
    starts : polars.DataFrame or None
    clusters : int
    left_out : dict of str to list of bytes
    used : list of bytes
        Leaf rows used.
    """

    scores: scored.LeafScores
    groups: Groups
    names: tuple[str, ...]
    years: float
    members: pl.DataFrame
    rows: pl.DataFrame
    later: pl.DataFrame
    after: pl.DataFrame
    plants: pl.DataFrame
    columns: Covariates
    alive: pl.DataFrame
    starts: pl.DataFrame | None
    clusters: int
    left_out: dict[str, list[bytes]]
    used: list[bytes]

    @property
    def has_marked(self) -> bool:
        """Whether marked leaves can be compared."""
        counts = self.plants.filter(pl.col(scored.BY_FATE).is_not_null()).group_by("value").len()
        return counts.filter(pl.col("len") >= LEAST_A_GROUP).height > 1

    @property
    def time(self) -> str:
        """Ending of the names of effects."""
        return "_1y" if self.years == YEAR else ""

    def where(self, version: str) -> str:
        """Say what an effect holds for."""
        return version if self.years == YEAR else f"{version}, after {self.years * MONTHS:.1f} months"

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        there = self.plants.filter(pl.any_horizontal(pl.col(scored.BY_FATE, "standing").is_not_null()))
        plants = there.join(self.members.select("plant", "record_id"), on="plant", maintain_order="left")
        ids = plants["record_id"].to_list()
        visits = self.rows.select("plant", "t").unique().height
        return Rows(len(ids), self.clusters, visits, {"plant": ids, "leaf": self.used}, self.left_out)


def gather(data: StudyData, ask: Ask) -> Material:
    """Find the leaf scores, the groups, covariates and blocks."""
    facts = plant_facts(data)
    groups = groups_of(facts, ask.by, ask.pool)
    starts = None
    if groups.column == "treatment":
        starts = facts.filter(pl.col("start_earliest").is_not_null()).select("plant", start=position("start"))
    scores = scored.leaf_scores(data)
    columns = covariates_of(facts, ask.adjust)
    usable = columns.plants.join(scores.rows.select("plant").unique(), on="plant", how="semi")
    groups = in_two_blocks(groups, facts, usable, ask.pool)
    members = groups.members.join(facts.select("plant", "record_id", "group"), on="plant")
    members = members.join(columns.plants, on="plant", how="semi")
    members = members.join(scores.rows.select("plant").unique(), on="plant", how="semi").sort("plant")
    members = members.with_columns(cluster=pl.col("group").rank("dense").cast(pl.Int64) - 1).drop("group")
    clusters = members["cluster"].n_unique()
    home = members.drop("record_id")
    every = scored.followed_leaves(scores, starts).join(home, on="plant", maintain_order="left")
    every = scored.eaten_share(every, "value")
    far = pl.col("late").abs() - pl.col("late").abs().min().over("plant")
    at_start = (far <= _SAME_MARKING_DAYS).fill_null(True)
    rows, later = every.filter(at_start), every.filter(~at_start)
    alive = death_intervals(data).table.select("plant", last=pl.col("origin") + pl.col("left"))
    years = _horizon(rows, alive)
    after = scored.leaves_after(rows, years, WINDOW, alive)
    standing, early = _standing(scores, starts)
    plants = home.join(scored.plant_means(after), on="plant", how="left", maintain_order="left")
    plants = plants.join(standing, on="plant", how="left", maintain_order="left")
    counted = rows.join(after.select("plant", "leaf"), on=["plant", "leaf"], how="semi", maintain_order="left")
    dropped = rows.join(after.select("plant", "leaf"), on=["plant", "leaf"], how="anti", maintain_order="left")
    outside = scores.rows.join(home, on="plant", how="anti", maintain_order="left")
    once = scores.rows.filter(~pl.col("marked")).join(home, on="plant", how="semi", maintain_order="left")
    used = [*counted["record_id"], *[i for i in once["record_id"].to_list() if i not in set(early)]]
    left_out = {**groups.left_out, **columns.left_out, **scores.left_out}
    reasons = {
        OTHER_COHORT: later["record_id"].to_list(),
        NOT_FOLLOWED: dropped["record_id"].to_list(),
        TOO_EARLY: early,
        NO_GROUP: outside["record_id"].to_list(),
    }
    left_out |= {reason: ids for reason, ids in reasons.items() if ids}
    there = set(plants.filter(pl.any_horizontal(pl.col(scored.BY_FATE, "standing").is_not_null()))["value"])
    names = tuple(n for n in groups.names if n in there)
    return Material(
        scores, groups, names, years, members, counted, later, after, plants, columns, alive, starts, clusters,
        left_out, used,
    )  # fmt: skip


def _horizon(rows: pl.DataFrame, alive: pl.DataFrame) -> float:
    """Give a year if leaves of two groups were followed so long, else how long the middle plant was followed."""
    after = scored.leaves_after(rows, YEAR, WINDOW, alive).select("plant").unique()
    counts = rows.select("plant", "value").unique().join(after, on="plant", how="semi").group_by("value").len()
    if counts.filter(pl.col("len") >= LEAST_A_GROUP).height > 1:
        return YEAR
    last = rows.group_by("plant").agg(pl.col("years").max()).filter(pl.col("years") > 0)["years"].to_numpy()
    return min(float(np.median(last)), YEAR) if len(last) else YEAR


def _standing(scores: scored.LeafScores, starts: pl.DataFrame | None) -> tuple[pl.DataFrame, list[bytes]]:
    """Give plant means of leaves scored once after the treatment began, and the rows scored before."""
    rows = scores.rows
    early: list[bytes] = []
    if starts is not None:
        begun = rows.join(starts, on="plant", how="left", maintain_order="left")
        before = (~pl.col("marked") & (pl.col("t") <= pl.col("start"))).fill_null(False)
        early = begun.filter(before)["record_id"].to_list()
        rows = begun.filter(~before).drop("start")
    return scored.standing_means(replace(scores, rows=rows)).select("plant", "standing"), early


def group_means(about: Material, plants: pl.DataFrame, column: str) -> Callable[[NDArray[np.bool_]], Array]:
    """Give a function from the blocks kept to the mean of a plant column in each group, at the mean covariates."""
    place = about.columns.plants.with_row_index("at")
    known = plants.filter(pl.col(column).is_not_null()).join(place, on="plant", maintain_order="left")
    extra = about.columns.matrix[known["at"].to_numpy()]
    extra = extra - extra.mean(axis=0) if len(extra) else extra
    dummies = [(known["value"] == g).cast(pl.Float64).to_numpy() for g in about.names]
    X = np.column_stack([*dummies, extra])
    y, block = known[column].to_numpy(), known["cluster"].to_numpy()
    cross = np.zeros((about.clusters, X.shape[1], X.shape[1]))
    right = np.zeros((about.clusters, X.shape[1]))
    np.add.at(cross, block, X[:, :, None] * X[:, None, :])
    np.add.at(right, block, X * y[:, None])

    def means(kept: NDArray[np.bool_]) -> Array:
        found = np.linalg.pinv(cross[kept].sum(0), hermitian=True) @ right[kept].sum(0)
        return np.asarray(found[: len(about.names)], dtype=np.float64)

    return means


@dataclass(frozen=True)
class Means:
    """Group means (in per cent) of some plant columns, with their common covariance."""

    names: tuple[str, ...]
    columns: tuple[str, ...]
    values: Array
    doubt: Uncertainty

    def at(self, column: str, name: str) -> int:
        """Give the place of a mean."""
        return self.columns.index(column) * len(self.names) + self.names.index(name)

    def effect(self, told: tuple[str, str, str], weights: dict[int, float], unit: str, where: str) -> Effect:
        """Give a weighted sum of means as an effect; `told` holds its name, of and against."""
        w = np.zeros(len(self.values))
        for i, x in weights.items():
            w[i] = x
        return _effect(told, self.doubt, float(w @ self.values), w, unit, where)

    def log_ratio(self, told: tuple[str, str, str], places: tuple[int, int], where: str) -> Effect | None:
        """Give the logarithm of a ratio of means; None if one is not positive."""
        a, b = (float(self.values[i]) for i in places)
        if min(a, b) <= 0:
            return None
        w = np.zeros(len(self.values))
        w[places[0]], w[places[1]] = 1 / a, -1 / b
        return _effect(told, self.doubt, float(np.log(a / b)), w, "1", where)


def _effect(told: tuple[str, str, str], doubt: Uncertainty, value: float, w: Array, unit: str, where: str) -> Effect:
    c = doubt.linear(np.array([value]), w[None, :])
    low, high, se = float(c.low[0]), float(c.high[0]), float(c.se[0])
    return Effect(*told, value, low, high, unit=unit, where=where, standard_error=se)


def means_of(about: Material, plants: pl.DataFrame, columns: tuple[str, ...]) -> Means:
    """Average plant columns by group, leaving out one block at a time."""
    parts = [group_means(about, plants, c) for c in columns]
    values, doubt = leave_one_out(lambda kept: 100 * np.concatenate([p(kept) for p in parts]), about.clusters)
    return Means(about.names, columns, values, doubt)


def marked_effects(about: Material) -> list[Effect]:
    """Compare marked leaves a year after marking, in the three versions of what vanishing means."""
    m = means_of(about, about.plants, (*scored.VERSIONS, "first"))
    pairs = [p for p in about.groups.pairs if {p.of, p.against} <= set(about.names)]
    found: list[Effect] = []
    for version in scored.VERSIONS:
        where = about.where(version)
        for p in pairs:
            i, j = m.at(version, p.of), m.at(version, p.against)
            name = f"missing_difference{about.time}"
            found.append(m.effect((name, p.of, p.against), {i: 1.0, j: -1.0}, "%", where))
            ratio = m.log_ratio((f"missing_log_ratio{about.time}", p.of, p.against), (i, j), where)
            found += [ratio] if ratio else []
            if version == scored.BY_FATE:
                a, b, per = m.at("first", p.of), m.at("first", p.against), 1.0 / (MONTHS * about.years)
                weights = {i: per, j: -per, a: -per, b: per}
                found.append(m.effect(("missing_difference_per_month", p.of, p.against), weights, "%", version))
        for name in about.names:
            found.append(m.effect((f"missing{about.time}", name, ""), {m.at(version, name): 1.0}, "%", where))
    return found


def without_residue(data: StudyData, about: Material) -> tuple[int, list[Effect]]:
    """Count scores made while insecticide may still have worked, and compare without them."""
    flagged = scored.in_residue(data, about.rows)
    count = int(flagged.sum())
    if not count:
        return 0, []
    plants = about.plants.select("plant", "value", "cluster")
    rest = scored.leaves_after(about.rows.filter(~flagged), about.years, WINDOW, about.alive)
    plants = plants.join(scored.plant_means(rest), on="plant", how="left", maintain_order="left")
    known = set(plants.filter(pl.col(scored.BY_FATE).is_not_null())["value"])
    p = about.groups.pairs[0]
    if not {p.of, p.against} <= known:
        return count, []
    m = means_of(about, plants, (scored.BY_FATE,))
    weights = {m.at(scored.BY_FATE, p.of): 1.0, m.at(scored.BY_FATE, p.against): -1.0}
    where = f"{about.where(scored.BY_FATE)}, without leaves scored within {data.profile.residue_days:g} days"
    return count, [m.effect((f"missing_difference{about.time}", p.of, p.against), weights, "%", where)]


def standing_effects(about: Material) -> list[Effect]:
    """Compare leaves scored once, and say how much less they show than marked leaves."""
    known = about.plants.filter(pl.col("standing").is_not_null()).group_by("value").len()
    names = set(known.filter(pl.col("len") >= LEAST_A_GROUP)["value"])
    if len(names) < 2:
        return []
    columns = ("standing", *((scored.BY_FATE,) if about.has_marked else ()))
    m = means_of(about, about.plants, columns)
    found: list[Effect] = []
    for p in (p for p in about.groups.pairs if {p.of, p.against} <= names):
        i, j = m.at("standing", p.of), m.at("standing", p.against)
        found.append(m.effect(("standing_difference", p.of, p.against), {i: 1.0, j: -1.0}, "%", STANDING))
        ratio = m.log_ratio(("standing_log_ratio", p.of, p.against), (i, j), STANDING)
        found += [ratio] if ratio else []
    for name in (n for n in about.names if n in names):
        found.append(m.effect(("standing_missing", name, ""), {m.at("standing", name): 1.0}, "%", STANDING))
        if not about.has_marked:
            continue
        told = ("marked_to_standing_ratio", name, "")
        ratio = m.log_ratio(told, (m.at(scored.BY_FATE, name), m.at("standing", name)), about.where(scored.BY_FATE))
        if ratio is not None:
            low, high = float(np.exp(ratio.low)), float(np.exp(ratio.high))
            found.append(replace(ratio, estimate=float(np.exp(ratio.estimate)), low=low, high=high))
    return found


def as_occupied(data: StudyData, about: Material) -> list[Effect]:
    """Compare leaves marked on plants then held by a defending ant and on vacant plants of the same block.

    Ants taken off on the day of the marking are gone. Only the leaves that the treatments are compared by count.
    """
    seen = after_removals(looks(data), data).select("plant", "t", known="after").sort("t")
    roles = roles_of(data)
    others = (VACANT, FOUNDING, UNNAMED, "several", "unknown", "dead")
    defenders = [a for a, r in roles.items() if r == "defender"]
    defenders = defenders or [s for s in seen["known"].unique().to_list() if s not in others]
    leaves = about.rows.drop("value", "eaten")
    leaves = leaves.sort("marked_t").join_asof(
        seen, left_on="marked_t", right_on="t", by="plant", check_sortedness=False, tolerance=31.0
    )
    leaves = leaves.filter(pl.col("known").is_in([VACANT, *defenders])).sort("plant", "leaf", "years", "record_id")
    leaves = leaves.with_columns(value=pl.when(pl.col("known") == VACANT).then(pl.lit("0")).otherwise(pl.lit("1")))
    if leaves["value"].n_unique() < 2:
        return []
    leaves = scored.eaten_share(leaves, "value")
    parts = []
    for held in ("0", "1"):
        own = scored.leaves_after(leaves.filter(pl.col("value") == held), about.years, WINDOW, about.alive)
        parts.append(scored.plant_means(own).with_columns(held=pl.lit(float(held))))
    table = pl.concat(parts).join(about.members.select("plant", "cluster"), on="plant").sort("plant", "held")
    table = table.filter(pl.col(scored.BY_FATE).is_not_null()).with_columns(
        x=pl.col("held") - pl.col("held").mean().over("cluster"),
        y=pl.col(scored.BY_FATE) - pl.col(scored.BY_FATE).mean().over("cluster"),
    )
    x, y, block = (table[c].to_numpy() for c in ("x", "y", "cluster"))
    product, square = (np.bincount(block, v, about.clusters) for v in (x * y, x * x))
    if np.count_nonzero(square) < 2:
        return []
    values, doubt = leave_one_out(
        lambda kept: np.array([100 * product[kept].sum() / max(square[kept].sum(), 1e-12)]), about.clusters
    )
    told = (f"missing_difference{about.time}_as_occupied", "held by a defending ant", "vacant")
    where = f"{about.where(scored.BY_FATE)}, ants at marking, within blocks, whatever the treatment"
    return [_effect(told, doubt, float(values[0]), np.ones(1), "%", where)]
