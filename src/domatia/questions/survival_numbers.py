"""The numbers of the survival question: from a study to brackets, and from brackets to effects and tables."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.covariates import Covariates, covariates_of
from domatia.histories.deaths import SEEN_ONCE, Deaths, death_intervals, followed, not_followed
from domatia.histories.detection import detection_by_date
from domatia.histories.facts import plant_facts
from domatia.histories.groups import Groups, groups_of, in_two_blocks
from domatia.histories.intervals import rows_of_looks, rows_of_plants
from domatia.histories.looks import FOUNDING, UNNAMED, VACANT, after_removals, looks, roles_of
from domatia.histories.moments import position
from domatia.model import Ask, Effect, Rows, StudyData
from domatia.model.dates import DAYS_A_YEAR
from domatia.questions.redrawn import redrawn
from domatia.stats.clustering import Estimate, one_sided
from domatia.stats.cox import cox
from domatia.stats.interval_hazard import IntervalHazard, IntervalRows, interval_hazard
from domatia.stats.leave_one_out import leave_one_out
from domatia.stats.log_rank_scores import log_rank_scores
from domatia.stats.npmle import npmle, npmle_band
from domatia.stats.survival_summary import restricted_mean, survival_curve

Array = NDArray[np.float64]

HORIZON_YEARS = 3.0


@dataclass(frozen=True)
class Material:
    """The plants that the question rests on.

    Attributes
    ----------
    groups : Groups
    table : polars.DataFrame
        `plant`, `left`, `right`, `lost`, `last_look` (days), `value` (group), `cluster` (integer), sorted by `plant`.
    columns : Covariates
        Rows in the order of `table`.
    deaths : Deaths
    clusters : int
    left_out : dict of str to list of bytes
    records : polars.DataFrame
        `plant`, `record_id` of the plants used.
    ever_alive : int
        Plants of the groups that were ever seen alive, also those followed for no time.
    """

    groups: Groups
    table: pl.DataFrame
    columns: Covariates
    deaths: Deaths
    clusters: int
    left_out: dict[str, list[bytes]]
    records: pl.DataFrame
    ever_alive: int

    @property
    def cluster(self) -> NDArray[np.int64]:
        """Block of each plant, as an integer."""
        return self.table["cluster"].to_numpy().astype(np.int64)

    def design(self) -> Array:
        """Give one column a group but the reference, then the covariates; shape (plants, columns)."""
        dummies = [(self.table["value"] == g).cast(pl.Float64).to_numpy() for g in self.groups.names[1:]]
        return np.column_stack([*dummies, self.columns.matrix])

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        used = self.deaths.visits.join(self.table.select("plant"), on="plant", how="semi")
        visits = used.filter(pl.col("status") != "not visited")["record_id"].to_list()
        plants = self.records["record_id"].to_list()
        return Rows(len(plants), self.clusters, len(visits), {"plant": plants, "visit": visits}, self.left_out)


def gather(data: StudyData, ask: Ask) -> Material:
    """Find the plants, their groups, brackets, covariates and blocks."""
    facts = plant_facts(data)
    groups = groups_of(facts, ask.by, ask.pool)
    starts = None
    if groups.column == "treatment":
        starts = facts.filter(pl.col("start_earliest").is_not_null()).select("plant", start=position("start"))
    deaths = death_intervals(data, starts)
    columns = covariates_of(facts, ask.adjust)
    groups = in_two_blocks(groups, facts, followed(deaths).join(columns.plants, on="plant", how="semi"), ask.pool)
    ids = facts.select("plant", "record_id", "group")
    members = groups.members.join(ids, on="plant")
    kept = followed(deaths).join(members, on="plant").join(columns.plants, on="plant", how="semi").sort("plant")
    kept = kept.with_columns(cluster=pl.col("group").rank("dense").cast(pl.Int64) - 1)
    once = not_followed(deaths).join(ids, on="plant").sort("plant")["record_id"].to_list()
    left_out = {**groups.left_out, **deaths.left_out, **columns.left_out}
    left_out |= {SEEN_ONCE: once} if once else {}
    order = columns.plants.with_row_index("at").join(kept.select("plant"), on="plant", how="semi").sort("plant")
    chosen = Covariates(order.select("plant"), columns.matrix[order["at"].to_numpy()], columns.names, columns.left_out)
    table = kept.select("plant", "left", "right", "lost", "last_look", "died_single", "value", "cluster")
    records = kept.select("plant", "record_id")
    ever = deaths.table.join(members, on="plant", how="semi").join(columns.plants, on="plant", how="semi").height
    return Material(groups, table, chosen, deaths, kept["group"].n_unique(), left_out, records, ever)


def _fit(about: Material, table: pl.DataFrame) -> IntervalHazard:
    """Fit the hazards to brackets; `table` holds `plant`, `left`, `right` in the order of `about.table`."""
    design = about.design()
    place = about.table.select("plant").with_row_index("at")
    rows = rows_of_plants(table).join(place, on="plant").sort("at", "start")
    at = rows["at"].to_numpy()
    start, stop = rows["start"].to_numpy(), rows["stop"].to_numpy()
    return interval_hazard(
        IntervalRows(start, stop, rows["died"].to_numpy(), design[at], about.cluster[at]), kind="jackknife"
    )


@dataclass(frozen=True)
class Ratios:
    """Hazard ratios and what the fit had to say."""

    effects: tuple[Effect, ...]
    notes: tuple[str, ...]


def _weights(about: Material, of: str, against: str) -> Array:
    weights = np.zeros(len(about.groups.names) - 1 + len(about.columns.names))
    for name, sign in ((of, 1.0), (against, -1.0)):
        if name != about.groups.reference:
            weights[about.groups.names.index(name) - 1] = sign
    return weights


def _ratio_effects(about: Material, fit: IntervalHazard, name: str) -> list[Effect]:
    found = []
    for i, pair in enumerate(about.groups.pairs):
        c = fit.contrast(_weights(about, pair.of, pair.against))
        label = "procedure_hazard_ratio" if pair.role == "procedure" and name == "hazard_ratio" else name
        found.append(
            Effect(
                label,
                pair.of,
                pair.against,
                float(np.exp(c.estimate[0])),
                float(np.exp(c.low[0])),
                float(np.exp(c.high[0])),
                main=i == 0 and name == "hazard_ratio",
                standard_error=float(c.se[0]),
            )
        )
    return found


def hazard_ratios(about: Material) -> Ratios:
    """Compare the hazards of the groups, clustered by block."""
    fit = _fit(about, about.table)
    separated = [about.groups.names[j + 1] for j in fit.separated if j < len(about.groups.names) - 1]
    notes = fit.notes + ((f"In the group {', '.join(separated)} nobody died (or everybody).",) if separated else ())
    return Ratios(tuple(_ratio_effects(about, fit, "hazard_ratio")), notes)


def lost_bounds(about: Material) -> pl.DataFrame:
    """Give the hazard ratios if every plant that stayed lost had died, and if every one had lived on."""
    lost = pl.col("right").is_null() & pl.col("lost").is_not_null()
    died = about.table.with_columns(right=pl.when(lost).then("lost").otherwise("right"))
    lived = about.table.with_columns(left=pl.when(lost).then("last_look").otherwise("left"))
    number = about.table.filter(lost).height
    rows = []
    for assumption, table in (("all lost plants had died", died), ("all lost plants had lived on", lived)):
        if not number:
            break
        for e in _ratio_effects(about, _fit(about, table), "bound"):
            rows.append((assumption, number, e.of, e.against, e.estimate, e.low, e.high))
    schema = ["assumption", "lost_plants", "of", "against", "hazard_ratio", "low", "high"]
    return pl.DataFrame(rows, schema=schema, orient="row")


def _brackets(about: Material, name: str) -> tuple[Array, Array, NDArray[np.int64]]:
    own = about.table.filter(pl.col("value") == name)
    left = own["left"].to_numpy() / DAYS_A_YEAR
    right = (own["right"] / DAYS_A_YEAR).fill_null(np.inf).to_numpy()
    return left, right, own["cluster"].to_numpy().astype(np.int64)


def curve_fits(about: Material) -> pl.DataFrame:
    """Give the log-likelihood of each group's curve and the certified gap to its maximum."""
    rows = []
    for name in about.groups.names:
        left, right, _ = _brackets(about, name)
        fit = npmle(left, right)
        rows.append((name, len(left), int(np.isfinite(right).sum()), fit.log_likelihood, fit.gap))
    return pl.DataFrame(rows, schema=["group", "plants", "deaths", "log_likelihood", "gap"], orient="row")


def curves_of(about: Material, rng: np.random.Generator, draws: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Give the share alive after each whole year, and the points of each group's curve, with bands from blocks."""
    reach = _reach(about)
    years = np.arange(1.0, reach + 1e-9)
    points = np.arange(0.0, reach + 1e-9) if about.deaths.grain == "year" else np.linspace(0.0, reach, 49)
    whole = _band(about, np.unique(np.concatenate([years, points])), rng, draws)
    drawn = whole.filter(pl.col("years").is_in(points.tolist())).rename({"years": "x", "survival": "y"})
    return whole.filter(pl.col("years").is_in(years.tolist())), drawn


def _band(about: Material, times: Array, rng: np.random.Generator, draws: int) -> pl.DataFrame:
    parts = []
    for name in about.groups.names:
        left, right, cluster = _brackets(about, name)
        band = npmle_band(left, right, cluster, times, rng, draws)
        parts.append(
            pl.DataFrame({"years": times, "survival": band.estimate, "low": band.low, "high": band.high})
            .select(pl.lit(name).alias("group"), pl.all().cast(pl.Float64))
            .with_columns(pl.col("low", "high").fill_nan(None))
        )
    return pl.concat(parts)


def _reach(about: Material) -> float:
    """Give the years to which every group was followed."""
    ends = about.table.group_by("value").agg(end=pl.max_horizontal("left", "right").max())
    return float(np.asarray(ends["end"].min()) / DAYS_A_YEAR)


def _reach_of_two(about: Material) -> float:
    """Give the years to which every group was followed in at least two blocks, so that one can be left out."""
    ends = about.table.group_by("value", "cluster").agg(end=pl.max_horizontal("left", "right").max())
    second = ends.group_by("value").agg(pl.col("end").sort(descending=True).get(1))
    return float(np.asarray(second["end"].min()) / DAYS_A_YEAR)


@dataclass(frozen=True)
class Absolute:
    """Survival and mean times alive of each group, and their differences."""

    effects: tuple[Effect, ...]
    horizon: float
    notes: tuple[str, ...]


def absolute_effects(about: Material) -> Absolute:
    """Compare survival at one year and mean times alive, with intervals from leaving out one block at a time."""
    reach = _reach_of_two(about)
    horizon = min(HORIZON_YEARS, reach)
    year = min(1.0, reach)
    names = about.groups.names

    def levels(kept: NDArray[np.bool_]) -> Array:
        return np.concatenate([_levels(about, name, kept, (year, horizon)) for name in names])

    values, doubt = leave_one_out(levels, about.clusters)
    at = {(name, k): 2 * i + k for i, name in enumerate(names) for k in (0, 1)}
    found = []
    for name in names:
        gradient = np.zeros((1, len(values)))
        gradient[0, at[name, 0]] = 1.0
        own = about.table.filter((pl.col("value") == name) & (pl.col("left") >= year * DAYS_A_YEAR)).height
        c = one_sided(doubt.log_log(values[[at[name, 0]]], gradient), own)
        found.append(_absolute("survival_1y", (name, ""), c, "1", year))
    for pair in about.groups.pairs:
        for k, (label, unit, factor) in enumerate(
            (("survival_difference_1y", "1", 1.0), ("restricted_mean_difference", "d", DAYS_A_YEAR))
        ):
            gradient = np.zeros((1, len(values)))
            gradient[0, at[pair.of, k]], gradient[0, at[pair.against, k]] = factor, -factor
            c = doubt.linear(gradient @ values, gradient)
            found.append(_absolute(label, (pair.of, pair.against), c, unit, year if k == 0 else horizon))
    notes = (
        () if reach >= 1.0 else (f"Plants were followed for {reach:.2f} years only: survival is given at that time.",)
    )
    return Absolute(tuple(found), horizon, notes)


def _absolute(label: str, pair: tuple[str, str], c: Estimate, unit: str, until: float) -> Effect:
    return Effect(
        label,
        pair[0],
        pair[1],
        float(c.estimate[0]),
        float(c.low[0]),
        float(c.high[0]),
        unit=unit,
        where=f"after {until:g} year{'' if until == 1 else 's'}",
        standard_error=float(c.se[0]),
    )


def _levels(about: Material, name: str, kept: NDArray[np.bool_], at: tuple[float, float]) -> Array:
    """Give survival at the first time and the mean time alive up to the second, of one group, in the kept blocks."""
    own = about.table.filter((pl.col("value") == name) & pl.Series(kept[about.cluster]))
    rows = rows_of_plants(own)
    if not rows["died"].any():
        return np.array([1.0, at[1]])
    n = rows.height
    start, stop = rows["start"].to_numpy(), rows["stop"].to_numpy()
    fit = interval_hazard(IntervalRows(start, stop, rows["died"].to_numpy(), np.zeros((n, 0))), kind="model")
    nothing = np.zeros((1, 0))
    alive = survival_curve(fit, nothing, np.array([at[0]])).survival.estimate[0]
    return np.array([alive, restricted_mean(fit, nothing, np.array([at[1]])).estimate[0]])


def dated_deaths(about: Material) -> pl.DataFrame:
    """Give the hazard ratios as papers do that date each death by the visit that found it (Efron ties)."""
    table = about.table
    stop = pl.coalesce("right", "left") / DAYS_A_YEAR
    times = table.select(stop=stop, died=pl.col("right").is_not_null())
    rows = []
    for cluster, how in ((None, "plants taken as independent"), (about.cluster, "clustered by block")):
        found = cox(np.zeros(table.height), times["stop"].to_numpy(), times["died"].to_numpy(), about.design(), cluster)
        for pair in about.groups.pairs:
            w = _weights(about, pair.of, pair.against)
            c = found.uncertainty.linear(np.atleast_1d(w @ found.coefficients.estimate), w[None, :]).exponential()
            ratio = [float(v[0]) for v in (c.estimate, c.low, c.high)]
            rows.append((pair.of, pair.against, how, *ratio, about.ever_alive, int(times["died"].sum())))
    schema = ["of", "against", "intervals", "hazard_ratio", "low", "high", "plants", "deaths"]
    return pl.DataFrame(rows, schema=schema, orient="row")


def detection(about: Material) -> pl.DataFrame:
    """Give the share of living plants that each round found, from plants found again."""
    table = detection_by_date(about.deaths)
    first = pl.date(1970, 1, 1)
    return table.with_columns(around=(first + pl.duration(days=pl.col("t").floor())).dt.strftime("%Y-%m")).select(
        "around", "looked_for", "found", "share"
    )


def as_occupied(data: StudyData, about: Material) -> tuple[Effect, ...]:
    """Compare steps that began with a defending ant on the plant with steps that began vacant."""
    seen = after_removals(looks(data), data)
    rows = rows_of_looks(about.deaths, seen).filter(pl.col("known").is_not_null())
    roles = roles_of(data)
    defenders = [a for a, r in roles.items() if r == "defender"] or [
        s for s in rows["known"].unique().to_list() if s not in (VACANT, FOUNDING, "several")
    ]
    place = about.table.select("plant", "cluster").with_row_index("at")
    rows = rows.join(place, on="plant").sort("at", "start")
    held = rows["known"].is_in([*defenders, UNNAMED]).cast(pl.Float64).to_numpy()
    other = (~rows["known"].is_in([*defenders, UNNAMED, VACANT])).cast(pl.Float64).to_numpy()
    died = rows["died"].to_numpy()
    if died.sum() < 5 or held.min(initial=1) == held.max(initial=0):
        return ()
    extra = [other] if 0 < other.sum() < len(other) else []
    X = np.column_stack([held, *extra, about.columns.matrix[rows["at"].to_numpy()]])
    start, stop = rows["start"].to_numpy(), rows["stop"].to_numpy()
    cluster = rows["cluster"].to_numpy().astype(np.int64)
    r = interval_hazard(IntervalRows(start, stop, died, X, cluster)).hazard_ratios
    return (
        Effect(
            "hazard_ratio_as_occupied",
            "held by a defending ant",
            "vacant",
            float(r.estimate[0]),
            float(r.low[0]),
            float(r.high[0]),
            where="as occupied, whatever the treatment",
            standard_error=float(r.se[0]),
        ),
    )


def redrawn_table(data: StudyData, about: Material, rng: np.random.Generator) -> pl.DataFrame:
    """Test the treatments by redrawing them, on the log-rank scores of the brackets."""
    left = about.table["left"].to_numpy() / DAYS_A_YEAR
    right = (about.table["right"] / DAYS_A_YEAR).fill_null(np.inf).to_numpy()
    return redrawn(data, about.groups, about.table, ("log-rank score", log_rank_scores(left, right)), rng)


def tables(data: StudyData, about: Material, rng: np.random.Generator, draws: int) -> dict[str, pl.DataFrame]:
    """Give the tables beside the effects."""
    yearly, drawn = curves_of(about, rng, draws)
    return {
        "survival_at": yearly,
        "curve_fit": curve_fits(about),
        "curve": drawn,
        "dated_deaths": dated_deaths(about),
        "lost_plants": lost_bounds(about),
        "detection": detection(about),
        "randomisation_test": redrawn_table(data, about, rng),
    }
