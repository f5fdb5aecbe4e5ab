"""The numbers of the reproduction question: means per plant and year, and the hurdle model."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.covariates import Covariates, covariates_of
from domatia.histories.facts import plant_facts
from domatia.histories.fruiting import STAGES, PlantYears, first_size, plant_years
from domatia.histories.groups import Groups, groups_of, in_two_blocks
from domatia.histories.looks import after_removals, last_known, looks, roles_of
from domatia.histories.moments import position
from domatia.model import Ask, Effect, Rows, StudyData
from domatia.stats.canonical import coefficients, means_if_all
from domatia.stats.clustering import Uncertainty
from domatia.stats.families import Binomial
from domatia.stats.group_means import Statistic, averaged, group_means, logs
from domatia.stats.leave_one_out import leave_one_out
from domatia.stats.mixed_fit import RandomTerm
from domatia.stats.mixed_laplace import LaplaceFit, fit_laplace
from domatia.stats.truncated_counts import TruncatedNegativeBinomial

Array = NDArray[np.float64]
Kept = NDArray[np.bool_]

LIVING = "living plants"
WHOLE = "per plant, the dead as none"
FLOWERED = "plants that flowered"
LEAST = 10
"""Plant-years with a count that each group needs, and in all of them some flower or fruit."""
NO_SIZE = "plant whose size before the treatment is not known"
MODEL = "mixed model, plants of the same size"


@dataclass(frozen=True)
class Material:
    """What the question rests on.

    Attributes
    ----------
    years : PlantYears
    groups : Groups
    names : tuple of str
        Groups with counts, the reference first.
    rows : polars.DataFrame
        `plant`, `year`, `t`, `state`, the stages, `value`, `cluster`, `unit`, `log_size` (centred), of all plant-years
        counted or dead, and the others by `state`; sorted by plant and year.
    columns : Covariates
    stages : tuple of str
        The stages that were counted.
    clusters : int
    left_out : dict of str to list of bytes
    """

    years: PlantYears
    groups: Groups
    names: tuple[str, ...]
    rows: pl.DataFrame
    columns: Covariates
    stages: tuple[str, ...]
    clusters: int
    left_out: dict[str, list[bytes]]

    @property
    def bore(self) -> pl.Expr:
        """Whether a plant bore anything: yes if any stage was counted above nought, no only if the first was nought."""
        some = pl.any_horizontal((pl.col(s) > 0).fill_null(False) for s in self.stages)
        none = (pl.col(self.stages[0]) == 0).fill_null(False)
        return pl.when(some).then(1.0).when(none).then(0.0).cast(pl.Float64)

    @property
    def known(self) -> pl.DataFrame:
        """The plant-years that were counted or whose plant was dead."""
        return self.rows.filter(pl.col("state").is_in(["counted", "dead"]))

    def stage(self) -> str:
        """Give the stage that the answer speaks of: the last of which most counted plant-years have a count."""
        counted = self.rows.filter(pl.col("state") == "counted")
        half = counted.height / 2
        ready = [s for s in self.stages if counted[s].count() >= half]
        return ready[-1] if ready else self.stages[-1]

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        number = sum(len(v) for v in self.years.used.values())
        counted = self.rows.filter(pl.col("state") == "counted")
        plants = counted["plant"].n_unique()
        words = f"{counted.height:,} counts of {plants:,} plants in {self.rows['year'].n_unique()} years, "
        words += f"{self.clusters} blocks"
        return Rows(plants, self.clusters, number, self.years.used, self.left_out, words)


def gather(data: StudyData, ask: Ask) -> Material:
    """Find the counts, the groups, sizes and blocks."""
    facts = plant_facts(data)
    groups = groups_of(facts, ask.by, ask.pool)
    columns = covariates_of(facts, ask.adjust)
    some = pl.any_horizontal(pl.col("flowers", "fruits").is_not_null())
    counted = pl.concat([data.table(k).filter(some).select("plant") for k in ("reproduction", "visit")]).unique()
    groups = in_two_blocks(groups, facts, counted.join(columns.plants, on="plant", how="semi"), ask.pool)
    starts = facts.select("plant", "record_id", "group", start=position("start"))
    if groups.column != "treatment":
        starts = starts.with_columns(start=pl.lit(None, pl.Float64))
    members = groups.members.join(starts, on="plant").join(columns.plants, on="plant", how="semi").sort("plant")
    members = members.with_columns(cluster=pl.col("group").rank("dense").cast(pl.Int64) - 1)
    years = plant_years(data, members.select("plant", "cluster", "start"))
    sizes = first_size(data, members)
    rows = years.rows.join(members.select("plant", "record_id", "value", "cluster"), on="plant", maintain_order="left")
    rows = rows.join(sizes, on="plant", how="left", maintain_order="left")
    left_out = {**groups.left_out, **columns.left_out, **years.left_out}
    unknown = rows.filter(pl.col("log_size").is_null())
    if rows.height and 0 < unknown["plant"].n_unique() < rows["plant"].n_unique() / 5:
        left_out[NO_SIZE] = unknown["record_id"].unique().sort().to_list()
        rows = rows.filter(pl.col("log_size").is_not_null())
    elif unknown.height:
        rows = rows.with_columns(log_size=pl.lit(0.0))
    mean = pl.col("log_size").mean()
    rows = rows.with_columns(
        log_size=pl.col("log_size") - mean,
        unit=pl.col("plant").rank("dense").cast(pl.Int64) - 1,
        cluster=pl.col("cluster").rank("dense").cast(pl.Int64) - 1,
    )
    there = set(rows.filter(pl.col("state") == "counted")["value"])
    stages = tuple(s for s in STAGES if rows[s].count() > 0)
    names = tuple(n for n in groups.names if n in there)
    return Material(years, groups, names, rows, columns, stages, rows["cluster"].n_unique(), left_out)


def enough(about: Material) -> str:
    """Give an empty text, or the sentence that says why there is too little."""
    counted = about.rows.filter(pl.col("state") == "counted")
    by = dict(counted.group_by("value").len().iter_rows())
    least = min((by.get(n, 0) for n in about.names), default=0)
    something = sum(int(counted[s].fill_null(0).sum()) for s in about.stages)
    if len(about.names) < 2 or least < LEAST or about.clusters < 3 or not something:
        return (
            f"Too little to answer: {counted.height} counts of flowers, fruits or seeds in {len(about.names)} groups "
            f"and {about.clusters} blocks, {something} things counted in all. Each group needs {LEAST} counts, in "
            "three blocks together, and something that flowered."
        )
    return ""


def means(about: Material) -> tuple[Effect, ...]:
    """Compare means per plant and year; intervals from leaving out one block at a time."""
    statistics, labels = [], []
    living = about.known.filter(pl.col("state") == "counted").with_columns(any=about.bore)
    for stage in reversed(about.stages):
        for where, table in (
            (WHOLE, about.known.with_columns(pl.when(pl.col("state") == "dead").then(0).otherwise(stage).alias(stage))),
            (LIVING, living),
            (FLOWERED, living.filter(pl.col("any") == 1)),
        ):
            there = table.filter(pl.col(stage).is_not_null())
            if not _all_groups_have(about, there, stage):
                continue
            one = _standardised(about, there, stage) if where == WHOLE else _year_means(about, there, stage)
            if one is not None:
                statistics.append(logs(one))
                labels.append((f"{stage}_ratio", where))
    share = _year_means(about, living, "any")
    if share is not None:
        statistics.append(share)
        labels.append(("flowering_difference" if about.stages[0] == "flowers" else "bearing_difference", LIVING))
    if not statistics:
        return ()
    k = len(about.names)
    values, doubt = leave_one_out(lambda kept: np.concatenate([s(kept) for s in statistics]), about.clusters)
    return tuple(_contrast(about, labels, (values, doubt), k))


def _all_groups_have(about: Material, table: pl.DataFrame, stage: str) -> bool:
    """Tell whether each group has something in at least three blocks, so that none of them carries it alone."""
    some = table.filter(pl.col(stage) > 0).group_by("value").agg(pl.col("cluster").n_unique())
    by = dict(some.iter_rows())
    return all(by.get(n, 0) >= 3 for n in about.names)


def _group_means(about: Material, table: pl.DataFrame, column: str) -> Statistic:
    code = {n: i for i, n in enumerate(about.names)}
    there = table.filter(pl.col("value").is_in(about.names) & pl.col(column).is_not_null())
    group = there["value"].replace_strict(code, return_dtype=pl.Int64).to_numpy()
    value = there[column].cast(pl.Float64).to_numpy()
    return group_means(group, there["cluster"].to_numpy(), value, len(code), about.clusters)


def _year_means(about: Material, table: pl.DataFrame, column: str) -> Statistic | None:
    """Give the mean of each group in each year, averaged over the years, so that no group is of other years.

    Years in which not every group has a count in three blocks are passed over; None if none is left.
    """
    there = table.filter(pl.col(column).is_not_null())
    blocks = there.group_by("year", "value").agg(n=pl.col("cluster").n_unique()).filter(pl.col("n") >= 3)
    full = blocks.group_by("year").len().filter(pl.col("len") == len(about.names))["year"].sort().to_list()
    if not full:
        return None
    return averaged([_group_means(about, there.filter(pl.col("year") == y), column) for y in full])


def _design(about: Material, table: pl.DataFrame) -> tuple[Array, tuple[str, ...]]:
    """Give columns: ones, groups, size before the treatment, years, covariates asked for."""
    years = sorted(table["year"].unique().to_list())[1:]
    place = {p: i for i, p in enumerate(about.columns.plants["plant"].to_list())}
    extra = about.columns.matrix[[place[p] for p in table["plant"].to_list()]]
    columns = [np.ones(table.height)]
    columns += [(table["value"] == g).cast(pl.Float64).to_numpy() for g in about.names[1:]]
    columns += [table["log_size"].to_numpy()]
    columns += [(table["year"] == y).cast(pl.Float64).to_numpy() for y in years]
    names = ("start", *about.names[1:], "size", *(f"year {y}" for y in years), *about.columns.names)
    return np.column_stack([*columns, *extra.T]), names


def _standardised(about: Material, table: pl.DataFrame, stage: str) -> Callable[[Kept], Array]:
    """Give the mean of all plants as if each were in that group, by size before the treatment and year."""
    there = table.filter(pl.col("value").is_in(about.names))
    design, _ = _design(about, there)
    y, block = there[stage].cast(pl.Float64).to_numpy(), there["cluster"].to_numpy()
    settings = []
    for i in range(len(about.names)):
        setting = np.full(design.shape[1], np.nan)
        setting[1 : len(about.names)] = 0.0
        if i:
            setting[i] = 1.0
        settings.append(setting)

    def statistic(kept: Kept) -> Array:
        own = kept[block]
        beta = coefficients(y[own], design[own], "log")
        return means_if_all(beta, design[own], settings, "log")

    return statistic


def _contrast(about: Material, labels: list[tuple[str, str]], found: tuple[Array, Uncertainty], k: int) -> list[Effect]:
    values, doubt = found
    at = {n: i for i, n in enumerate(about.names)}
    effects = []
    for pair in (p for p in about.groups.pairs if {p.of, p.against} <= set(about.names)):
        for i, (label, where) in enumerate(labels):
            w = np.zeros(len(values))
            w[i * k + at[pair.of]], w[i * k + at[pair.against]] = 1.0, -1.0
            one = doubt.linear(np.atleast_1d(w @ values), w[None, :])
            shown = one.exponential() if label.endswith("_ratio") else one
            estimate, low, high, se = (float(v[0]) for v in (shown.estimate, shown.low, shown.high, one.se))
            effects.append(Effect(label, pair.of, pair.against, estimate, low, high, where=where, standard_error=se))
    return effects


@dataclass(frozen=True)
class Hurdle:
    """The two halves of the mixed model.

    Attributes
    ----------
    effects : tuple of Effect
    spread : polars.DataFrame
        `half`, `between`, `sd`.
    notes : tuple of str
    """

    effects: tuple[Effect, ...]
    spread: pl.DataFrame
    notes: tuple[str, ...]


def hurdle(about: Material, stage: str) -> Hurdle:
    """Fit whether a living plant has any, and how many if it has, plants and blocks random."""
    living = about.rows.filter((pl.col("state") == "counted") & pl.col(stage).is_not_null())
    living = living.filter(pl.col("value").is_in(about.names))
    some = living.filter(pl.col(stage) > 0)
    bearing = set(some["value"])
    effects, spread, notes = [], [], []
    for half, table in (("any", living), ("how many", some)):
        y = table[stage].cast(pl.Float64).to_numpy()
        if half == "any" and (y > 0).all():
            continue
        design, names = _design(about, table)
        family = (
            Binomial((y > 0).astype(np.float64), np.ones(len(y))) if half == "any" else TruncatedNegativeBinomial(y)
        )
        random = (RandomTerm("plant", table["unit"].to_numpy()), RandomTerm("block", table["cluster"].to_numpy()))
        fit = fit_laplace(family, design, names, random, clusters=table["cluster"].to_numpy())
        label = f"{stage}_odds_ratio" if half == "any" else f"{stage}_number_ratio"
        # a group that never bears has no finite odds: its comparisons are left to the plain shares
        effects += [e for e in _of_model(about, fit, label) if {e.of, e.against} <= bearing]
        spread += [(half, n, float(s)) for n, s in zip(fit.random_names, fit.random_sd, strict=True)]
        # that groups do not differ is shown in the table of spreads and needs no warning
        notes += [w.split(": ", 1)[-1].rstrip(".") + "." for w in fit.warnings if "estimated as nought" not in w]
    table = pl.DataFrame(spread, schema={"half": pl.String, "between": pl.String, "sd": pl.Float64}, orient="row")
    return Hurdle(tuple(effects), table, tuple(dict.fromkeys(notes)))


def _of_model(about: Material, fit: LaplaceFit, label: str) -> list[Effect]:
    if fit.scores is None or not fit.converged:
        return []
    doubt = fit.scores.uncertainty("CR2")
    column = {n: i for i, n in enumerate(fit.scores.names)}
    effects = []
    for pair in (p for p in about.groups.pairs if {p.of, p.against} <= set(about.names)):
        w = np.zeros(len(fit.scores.names))
        for name, sign in ((pair.of, 1.0), (pair.against, -1.0)):
            if name in column:
                w[column[name]] = sign
        values = np.concatenate([fit.coefficients[~fit.left_out], fit.parameters[int((~fit.left_out).sum()) :]])
        one = doubt.linear(np.atleast_1d(w @ values), w[None, :])
        shown = one.exponential()
        estimate, low, high, se = (float(v[0]) for v in (shown.estimate, shown.low, shown.high, one.se))
        if np.isfinite([estimate, low, high, se]).all():
            effects.append(Effect(label, pair.of, pair.against, estimate, low, high, where=MODEL, standard_error=se))
    return effects


def tables(data: StudyData, about: Material) -> dict[str, pl.DataFrame]:
    """Give means by group and year, the flow of plant-years, and means by who lived on the plant."""
    living = about.rows.filter(pl.col("state") == "counted").with_columns(any=about.bore)
    per = [pl.col(s).mean().alias(f"{s}_per_plant") for s in about.stages]
    shares = [pl.len().alias("plants"), pl.col("any").mean().alias("flowering"), *per]
    by_year = living.group_by(group="value", year="year").agg(shares)
    flow = about.rows.group_by(group="value").agg(
        *(
            (pl.col("state") == s).sum().alias(s.replace(" ", "_"))
            for s in ("counted", "dead", "not counted", "unknown")
        )
    )
    return {
        "curve": curve(about),
        "by_year": by_year.sort("group", "year"),
        "plant_years": flow.sort("group"),
        "by_occupant": _by_occupant(data, living, per),
    }


def curve(about: Material) -> pl.DataFrame:
    """Give the mean of the stage the answer speaks of by group and year, with intervals over blocks, for drawing."""
    stage = about.stage()
    living = about.rows.filter((pl.col("state") == "counted") & pl.col(stage).is_not_null())
    years = sorted(living["year"].unique().to_list())
    parts = [_group_means(about, living.filter(pl.col("year") == y), stage) for y in years]
    values, doubt = leave_one_out(lambda kept: np.concatenate([p(kept) for p in parts]), about.clusters)
    each = doubt.linear(values, np.eye(len(values)))
    k = len(about.names)
    return pl.DataFrame(
        {
            "group": [n for _ in years for n in about.names],
            "x": [y for y in years for _ in range(k)],
            "y": each.estimate,
            "low": np.maximum(each.low, 0.0),
            "high": each.high,
        }
    )


def _by_occupant(data: StudyData, living: pl.DataFrame, per: list[pl.Expr]) -> pl.DataFrame:
    """Give means by the ants seen at or before the count; not an experiment."""
    seen = last_known(after_removals(looks(data), data), "after").filter(pl.col("known").is_not_null())
    roles = roles_of(data)
    joined = living.sort("t").join_asof(
        seen.select("plant", "t", "known").sort("t"), on="t", by="plant", strategy="backward", check_sortedness=False
    )
    shares = [pl.len().alias("counts"), pl.col("any").mean().alias("flowering"), *per]
    table = joined.filter(pl.col("known").is_not_null()).group_by(occupant="known").agg(shares)
    role = pl.col("occupant").replace_strict(roles, default="", return_dtype=pl.String)
    return table.with_columns(role=role).sort("occupant")
