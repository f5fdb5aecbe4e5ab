"""The numbers of the growth question: mixed model of log height, heights after a year, growth with and without ants."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.covariates import Covariates, covariates_of
from domatia.histories.facts import plant_facts
from domatia.histories.groups import Groups, groups_of, in_two_blocks
from domatia.histories.looks import FOUNDING, UNNAMED, VACANT, after_removals, looks, roles_of
from domatia.histories.moments import position
from domatia.histories.sizes import Sizes, growth_steps, height_after, sizes_of
from domatia.model import Ask, Effect, Rows, StudyData
from domatia.questions.redrawn import redrawn
from domatia.stats.clustering import Estimate, Uncertainty, one_sided
from domatia.stats.leave_one_out import leave_one_out, leave_one_out_in_strata
from domatia.stats.mixed_fit import RandomTerm
from domatia.stats.mixed_linear import fit_linear, linear_scores
from domatia.stats.stratified import strata_of, stratified

Array = NDArray[np.float64]

YEAR = 1.0
_LEAST_BOTH = 10
"""Plants that must have been measured both with ants and without for a comparison within plants."""


@dataclass(frozen=True)
class Material:
    """The measures that the question rests on.

    Attributes
    ----------
    sizes : Sizes
        All heights; those of plants outside the groups included.
    rows : polars.DataFrame
        Heights of the plants compared: `plant`, `record_id`, `years`, `height_cm`, `log_height`, `value`, `cluster`,
        `unit` (integer code of the plant).
    groups : Groups
    names : tuple of str
        Groups with plants, the reference first.
    columns : Covariates
    starts : polars.DataFrame or None
    plants : polars.DataFrame
        `plant`, `record_id`, `value`, `cluster`, `unit` of the plants measured at least twice.
    everyone : polars.DataFrame
        The same without `unit`, plants measured once included: those whose death counts.
    clusters : int
    left_out : dict of str to list of bytes
    strata : array or None
        Code of each block's habitat; None unless every block stands in one known habitat, and in two habitats or more.
    """

    sizes: Sizes
    rows: pl.DataFrame
    groups: Groups
    names: tuple[str, ...]
    columns: Covariates
    starts: pl.DataFrame | None
    plants: pl.DataFrame
    everyone: pl.DataFrame
    clusters: int
    left_out: dict[str, list[bytes]]
    strata: NDArray[np.int64] | None = None

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        plants, visits = self.plants["record_id"].to_list(), self.rows["record_id"].to_list()
        return Rows(len(plants), self.clusters, len(visits), {"plant": plants, "visit": visits}, self.left_out)


def gather(data: StudyData, ask: Ask) -> Material:
    """Find the heights, the groups, covariates and blocks."""
    facts = plant_facts(data)
    groups = groups_of(facts, ask.by, ask.pool)
    starts = None
    if groups.column == "treatment":
        starts = facts.filter(pl.col("start_earliest").is_not_null()).select("plant", start=position("start"))
    sizes = sizes_of(data, starts)
    columns = covariates_of(facts, ask.adjust)
    groups = in_two_blocks(groups, facts, sizes.rows.join(columns.plants, on="plant", how="semi"), ask.pool)
    members = groups.members.join(facts.select("plant", "record_id", "group"), on="plant")
    members = members.join(columns.plants, on="plant", how="semi")
    everyone = members.join(sizes.every.select("plant").unique(), on="plant", how="semi").sort("plant")
    everyone = everyone.with_columns(cluster=pl.col("group").rank("dense").cast(pl.Int64) - 1)
    plants = everyone.join(sizes.rows.select("plant").unique(), on="plant", how="semi", maintain_order="left")
    plants = plants.with_columns(unit=pl.int_range(pl.len(), dtype=pl.Int64))
    rows = sizes.rows.join(plants.select("plant", "value", "cluster", "unit"), on="plant", maintain_order="left")
    rows = rows.sort("unit", "years", "record_id")
    there = set(plants["value"])
    names = tuple(n for n in groups.names if n in there)
    left_out = {**groups.left_out, **columns.left_out, **sizes.left_out}
    clusters = everyone["group"].n_unique()
    strata = _habitats(facts, everyone)
    plants, everyone = plants.drop("group"), everyone.drop("group")
    return Material(sizes, rows, groups, names, columns, starts, plants, everyone, clusters, left_out, strata)


def _habitats(facts: pl.DataFrame, everyone: pl.DataFrame) -> NDArray[np.int64] | None:
    """Give the code of each block's habitat, or None where habitats cannot serve as strata."""
    each = everyone.join(facts.select("plant", "habitat"), on="plant").group_by("cluster")
    found = each.agg(kinds=pl.col("habitat").n_unique(), habitat=pl.col("habitat").min()).sort("cluster")
    if found.is_empty() or found["kinds"].max() != 1:
        return None
    return strata_of(found["habitat"].to_list())


@dataclass(frozen=True)
class Slopes:
    """Growth rates of the groups from the mixed model.

    Attributes
    ----------
    effects : tuple of Effect
    components : polars.DataFrame
        Standard deviations between blocks, between plants and within plants.
    warnings : tuple of str
    """

    effects: tuple[Effect, ...]
    components: pl.DataFrame
    warnings: tuple[str, ...]


def _design(about: Material) -> tuple[Array, tuple[str, ...]]:
    t = about.rows["years"].to_numpy()
    dummies = [(about.rows["value"] == g).cast(pl.Float64).to_numpy() for g in about.names[1:]]
    place = {p: i for i, p in enumerate(about.columns.plants["plant"].to_list())}
    at = np.array([place[p] for p in about.plants["plant"].to_list()])[about.rows["unit"].to_numpy()]
    extra = about.columns.matrix[at]
    columns = [np.ones_like(t), *dummies, t, *[d * t for d in dummies], *extra.T]
    names = ("start", *about.names[1:], "years", *(f"years: {g}" for g in about.names[1:]), *about.columns.names)
    return np.column_stack(columns), names


def slopes(about: Material) -> Slopes:
    """Fit log height on years by group, plants and blocks random, and give rates and their differences."""
    X, names = _design(about)
    y = about.rows["log_height"].to_numpy()
    unit, block = about.rows["unit"].to_numpy(), about.rows["cluster"].to_numpy()
    random = (
        RandomTerm("plant", unit, about.rows["years"].to_numpy()[:, None], ("years",)),
        RandomTerm("block", block),
    )
    fit = fit_linear(y, X, names, random, satterthwaite=False)
    scores = linear_scores(fit, y, X, random, block)
    doubt = scores.uncertainty("CR2")
    of_levels = doubt
    if about.strata is not None and len(scores.clusters) == about.clusters:
        of_levels = stratified(scores.scores @ scores.covariance, about.strata)
    column = {n: i for i, n in enumerate(scores.names)}
    values = fit.coefficients[~fit.left_out]

    def weights(name: str) -> Array:
        w = np.zeros(len(values))
        if name != about.names[0]:
            w[column[f"years: {name}"]] = 1.0
        return w

    effects = []
    for i, pair in enumerate(p for p in about.groups.pairs if {p.of, p.against} <= set(about.names)):
        w = weights(pair.of) - weights(pair.against)
        label = "rgr_difference" if pair.role != "procedure" else "procedure_rgr_difference"
        effects.append(_effect(label, (pair.of, pair.against), _one(doubt, values, w), "1/a", "all", main=i == 0))
    for name in about.names:
        w = weights(name)
        w[column["years"]] = 1.0
        effects.append(_effect("rgr", (name, ""), _one(of_levels, values, w), "1/a", "all"))
    spread = [(c.group, t, float(s)) for c in fit.components for t, s in zip(c.terms, c.sd, strict=True)]
    table = pl.DataFrame(
        [*spread, ("within plants", "", fit.residual_sd)], schema=["between", "of", "sd"], orient="row"
    )
    return Slopes(tuple(effects), table, tuple(w.split(": ", 1)[-1] for w in fit.warnings))


def _one(doubt: Uncertainty, values: Array, w: Array) -> Estimate:
    return doubt.linear(np.atleast_1d(w @ values), w[None, :])


def _effect(label: str, pair: tuple[str, str], c: Estimate, unit: str, where: str, *, main: bool = False) -> Effect:
    estimate, low, high, se = (float(v[0]) for v in (c.estimate, c.low, c.high, c.se))
    return Effect(label, *pair, estimate, low, high, unit=unit, where=where, main=main, standard_error=se)


def _block_means(table: pl.DataFrame, value: str, about: Material) -> Callable[[NDArray[np.bool_]], Array]:
    """Give a function from the blocks kept to the mean of a column in each group."""
    code = {n: i for i, n in enumerate(about.names)}
    known = table.filter(pl.col(value).is_not_null())
    at = (
        known["value"].replace_strict(code, return_dtype=pl.Int64).to_numpy() * about.clusters
        + known["cluster"].to_numpy()
    )
    size = len(code) * about.clusters
    total = np.bincount(at, known[value].to_numpy(), size).reshape(len(code), -1)
    number = np.bincount(at, minlength=size).reshape(len(code), -1)

    def means(kept: NDArray[np.bool_]) -> Array:
        return np.asarray(total[:, kept].sum(1) / np.maximum(number[:, kept].sum(1), 1), dtype=np.float64)

    return means


def after_a_year(data: StudyData, about: Material) -> tuple[tuple[Effect, ...], str]:
    """Compare heights gained in the first year: of the living, and with the dead counted as 0 cm.

    Returns
    -------
    effects : tuple of Effect
    note : str
        Empty, or why the comparison cannot be made.
    """
    table = height_after(data, about.sizes, YEAR, about.starts).join(about.everyone, on="plant")
    table = table.with_columns(
        gain=pl.when(pl.col("alive") == 1.0).then(pl.col("later_cm") - pl.col("first_cm")),
        counted=pl.when(pl.col("alive") == 1.0).then("later_cm").otherwise(pl.col("last_cm") * pl.col("alive"))
        - pl.col("first_cm"),
        dead=1.0 - pl.col("alive"),
    )
    known = table.filter(pl.col("gain").is_not_null()).group_by("value").len()
    if known.height < len(about.names) or int(np.min(known["len"].to_numpy())) < 2:
        return (), "Too few plants were measured before and after one year to compare heights then."
    parts = [_block_means(table, c, about) for c in ("gain", "counted", "dead")]

    def statistic(kept: NDArray[np.bool_]) -> Array:
        return np.concatenate([p(kept) for p in parts])

    values, doubt = leave_one_out(statistic, about.clusters)
    of_gains = doubt if about.strata is None else leave_one_out_in_strata(statistic, about.strata)
    k = len(about.names)
    at = {n: i for i, n in enumerate(about.names)}
    where = "after 1 year"
    effects = []
    for pair in (p for p in about.groups.pairs if {p.of, p.against} <= set(about.names)):
        for shift, label in ((0, "height_difference_1y_cm"), (k, "height_difference_1y_cm_dead_as_zero")):
            w = np.zeros(3 * k)
            w[shift + at[pair.of]], w[shift + at[pair.against]] = 1.0, -1.0
            effects.append(_effect(label, (pair.of, pair.against), _one(doubt, values, w), "cm", where))
    for name in about.names:
        for shift, label, unit in ((0, "height_gain_1y_cm", "cm"), (2 * k, "share_dead_1y", "1")):
            w = np.zeros(3 * k)
            w[shift + at[name]] = 1.0
            one = _one(of_gains if unit == "cm" else doubt, values, w)
            if unit == "1":
                dead = table.filter((pl.col("value") == name) & pl.col("dead").is_not_null()).height
                one = one_sided(one, dead)
            effects.append(_effect(label, (name, ""), one, unit, where))
    return tuple(effects), ""


def with_ants(data: StudyData, about: Material) -> tuple[Effect, ...]:
    """Compare growth while held by a defending ant and while vacant: within plants, and among equally tall plants."""
    seen = after_removals(looks(data), data).with_columns(known="after")
    steps = growth_steps(data, about.sizes, seen).join(about.plants, on="plant", maintain_order="left")
    roles = roles_of(data)
    defenders = [a for a, r in roles.items() if r == "defender"]
    others = (VACANT, FOUNDING, UNNAMED, "several")
    defenders = defenders or [s for s in steps["known"].drop_nulls().unique().to_list() if s not in others]
    steps = steps.filter(pl.col("known").is_in([VACANT, *defenders]))
    steps = steps.with_columns(held=(pl.col("known") != VACANT).cast(pl.Float64))
    if steps.height < 50 or not 0.02 < float(np.mean(steps["held"].to_numpy())) < 0.98:
        return ()
    pair = ("held by a defending ant", "vacant")
    weight = pl.col("years")
    centred = [
        (pl.col(c) - (pl.col(c) * weight).sum().over("plant") / weight.sum().over("plant")).alias(c)
        for c in ("rgr", "held")
    ]
    same_size = _weighted_slope(steps.with_columns(one=1.0), ("held", "one", "log_height"), about.clusters)
    effects = [_effect("rgr_difference_as_occupied", pair, same_size, "1/a", "among plants of the same height")]
    both = steps.filter(pl.col("held").n_unique().over("plant") > 1)
    if both["plant"].n_unique() >= _LEAST_BOTH and both["cluster"].n_unique() > 1:
        within = _weighted_slope(steps.with_columns(centred), ("held",), about.clusters)
        effects.insert(0, _effect("rgr_difference_as_occupied", pair, within, "1/a", "within the same plant"))
    return tuple(effects)


def _weighted_slope(steps: pl.DataFrame, columns: tuple[str, ...], clusters: int) -> Estimate:
    """Regress growth on columns, weighted by the length of the step, leaving out one block at a time."""
    X = steps.select(columns).to_numpy()
    y, w, block = steps["rgr"].to_numpy(), steps["years"].to_numpy(), steps["cluster"].to_numpy()
    p = X.shape[1]
    parts = np.column_stack([(X[:, [i]] * X * w[:, None]) for i in range(p)])
    cross = np.stack([np.bincount(block, c, clusters) for c in parts.T], axis=1).reshape(clusters, p, p)
    right = np.stack([np.bincount(block, c * y * w, clusters) for c in X.T], axis=1)

    def slope(kept: NDArray[np.bool_]) -> Array:
        return np.asarray(np.linalg.pinv(cross[kept].sum(0)) @ right[kept].sum(0), dtype=np.float64)[:1]

    values, doubt = leave_one_out(slope, clusters)
    return doubt.linear(values, np.eye(1))


def redrawn_table(data: StudyData, about: Material, rng: np.random.Generator) -> pl.DataFrame:
    """Test the treatments by redrawing them, on the slope of log height of each plant."""
    t, y = pl.col("years"), pl.col("log_height")
    spread = ((t - t.mean()) ** 2).sum()
    slope = ((t - t.mean()) * (y - y.mean())).sum() / spread
    each = about.rows.group_by("unit", "value", "cluster").agg(slope=slope).sort("unit")
    return redrawn(data, about.groups, each, ("growth rate of a plant (per year)", each["slope"].to_numpy()), rng)


def mean_curve(about: Material) -> pl.DataFrame:
    """Give mean height by group and time (geometric mean, with its spread over plants), for drawing."""
    rows = about.rows.with_columns(x=(pl.col("years") * 6).round() / 6)
    found = rows.group_by(group="value", x="x").agg(
        n=pl.len(), mean=pl.col("log_height").mean(), sd=pl.col("log_height").std()
    )
    half = 1.96 * pl.col("sd") / pl.col("n").sqrt()
    found = found.filter(pl.col("n") >= 5).sort("group", "x")
    return found.select(
        "group", "x", y=pl.col("mean").exp(), low=(pl.col("mean") - half).exp(), high=(pl.col("mean") + half).exp()
    )


def shrinkage(about: Material) -> float:
    """Give the share of steps between neighbouring measures in which a plant became shorter."""
    fall = about.rows.select(d=pl.col("height_cm").diff().over("unit")).filter(pl.col("d").is_not_null())["d"]
    return float(np.mean(fall.to_numpy() < 0)) if fall.len() else 0.0
