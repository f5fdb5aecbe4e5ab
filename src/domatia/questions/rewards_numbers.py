"""The numbers of the rewards question: means per plant by month, joined with what was weighed once for all."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories import rewards as history
from domatia.histories.leaf_saved import compared_treatments, leaves_after_a_year, lost_in_a_year
from domatia.model import Effect, Rows, StudyData
from domatia.stats.clustering import Estimate
from domatia.stats.derived import Part, derived, mean_part
from domatia.stats.leave_one_out import leave_one_out
from domatia.stats.sugar import MOST_BRIX, at_20_degrees, joules, sugar_mg

Array = NDArray[np.float64]
Kept = NDArray[np.bool_]

NECTAR, STANDING, FOOD, WORKERS, DOMATIA = "nectar", "standing", "food bodies", "workers", "domatia"
WITHOUT, WITH, LEAVES = "leaf lost without ants", "leaf lost with ants", "leaves"
GIVEN = (NECTAR, STANDING, FOOD, WORKERS)
LEAF_QUANTITIES = (history.LEAF_AREA, history.LEAF_MASS, history.LEAF_ENERGY)
YEAR_DAYS = 365.25
ALL_PLANTS, HELD = "all plants", "plants with patrolling ants"
LEAST, LEAST_CLUSTERS = 8, 3
"""Records and blocks (else plants) that a measure needs."""
HOURS_A_DAY = 24.0
SMALL_UL = 0.5
TOO_SWEET = "reading that no nectar can have"
NO_TEMPERATURE = "reading at a temperature for which no correction is known"
NOT_SCALED = "the number of nectaries or shoots on the whole plant is not known"
TOO_FEW = "too few records of this reward"


@dataclass(frozen=True)
class Measure:
    """Values of one kind of reward, a record each; of opened domatia a plant each.

    Attributes
    ----------
    name : str
    values : array
        J per plant and day, J per plant (standing crop), mg per plant and day (food bodies), mean workers of a plant's
        opened domatia, domatia per plant.
    months : array of int
        1 to 12; 0 where months do not count.
    cluster : array of int
    """

    name: str
    values: Array
    months: NDArray[np.int64]
    cluster: NDArray[np.int64]


@dataclass(frozen=True)
class Material:
    """What the question rests on.

    Attributes
    ----------
    nectar : polars.DataFrame
        Usable nectar records with `sugar_mg`, `joules` (per nectary, a day for production), and flags.
    measures : tuple of Measure
    clustered : str
        "block" or "plant".
    clusters : int
    calibrations : mapping of str to Part
        Quantities measured apart, by name.
    dry_months : tuple of int
    left_out : dict of str to list of bytes
    used : dict of str to list of bytes
    """

    nectar: pl.DataFrame
    measures: tuple[Measure, ...]
    clustered: str
    clusters: int
    plants: int
    calibrations: Mapping[str, Part]
    dry_months: tuple[int, ...]
    left_out: dict[str, list[bytes]]
    used: dict[str, list[bytes]]

    def measure(self, name: str) -> Measure | None:
        """Give a measure, None if there is too little of it."""
        return next((m for m in self.measures if m.name == name), None)

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        told = [f"{len(m.values):,} {_NOUNS[m.name]}" for m in self.measures]
        words = f"{', '.join(told) or 'no records'} of {self.plants:,} plants"
        if self.clustered == "block":
            words += f" in {self.clusters} blocks"
        number = sum(len(m.values) for m in self.measures)
        return Rows(
            self.plants, self.clusters if self.clustered == "block" else 1, number, self.used, self.left_out, words
        )


_NOUNS = {
    NECTAR: "measures of nectar production",
    STANDING: "standing crops",
    FOOD: "collections of food bodies",
    WORKERS: "plants with opened domatia",
    DOMATIA: "counts of domatia",
    WITHOUT: "plants whose leaves were followed without ants",
    WITH: "with ants",
    LEAVES: "counts of leaves",
}
_KINDS = {
    NECTAR: "nectar", STANDING: "nectar", FOOD: "food_bodies", WORKERS: "dissection", DOMATIA: "visit",
    WITHOUT: "plant", WITH: "plant", LEAVES: "visit",
}  # fmt: skip


def gather(data: StudyData) -> Material:
    """Find all rewards, put them on one plant and one day, and the quantities measured apart."""
    nectar = history.nectar_of(data)
    food, opened = history.food_bodies_of(data), history.dissections_of(data)
    rows = sugar_of(nectar.rows)
    left_out = {**nectar.left_out, **food.left_out, **opened.left_out}
    strange = rows.filter(pl.col("brix_20").is_null() & (pl.col("volume_ul") > 0))
    for reason, part in (
        (TOO_SWEET, strange.filter(pl.col("brix_pct") > MOST_BRIX)),
        (NO_TEMPERATURE, strange.filter(pl.col("brix_pct") <= MOST_BRIX)),
    ):
        left_out |= _named(reason, part)
    rows = rows.filter(pl.col("brix_20").is_not_null())
    each = {
        NECTAR: rows.filter(pl.col("kind") == history.PRODUCTION).with_columns(
            value=pl.col("joules") * pl.col("nectaries_on_plant")
        ),
        STANDING: rows.filter(pl.col("kind") == history.STANDING).with_columns(
            value=pl.col("joules") * pl.col("nectaries_on_plant")
        ),
        FOOD: food.rows.with_columns(
            value=pl.col("dry_mg") / pl.col("shoots") * HOURS_A_DAY / pl.col("hours") * pl.col("shoots_on_plant")
        ),
        WORKERS: opened.rows.with_columns(value=pl.col("workers").cast(pl.Float64), month=pl.lit(0)),
        DOMATIA: history.domatia_of_held_plants(data).with_columns(
            value=pl.col("domatia").cast(pl.Float64), month=pl.lit(0)
        ),
    }
    if each[WORKERS].is_empty():
        each[DOMATIA] = each[DOMATIA].clear()
    each |= _leaf(data)
    wholly = [t.filter(pl.col("value").is_null()) for t in each.values()]
    left_out |= _named(NOT_SCALED, pl.concat([t.select("record_id") for t in wholly]))
    each = {k: t.filter(pl.col("value").is_not_null()) for k, t in each.items()}
    return _material(data, rows, each, left_out)


def _leaf(data: StudyData) -> dict[str, pl.DataFrame]:
    """Give leaf lost in a year with and without ants, and leaves a plant, if leaf can be turned into energy."""
    pair = compared_treatments(data)
    known = all(history.quantity_of(data, name)[0] for name in LEAF_QUANTITIES)
    if pair is None or not known or data.table("leaf").is_empty():
        return {}
    lost = lost_in_a_year(data).with_columns(value=pl.col("lost"), month=pl.lit(0))
    leaves = leaves_after_a_year(data, pair[1]).with_columns(value=pl.col("leaves").cast(pl.Float64), month=pl.lit(0))
    return {
        WITHOUT: lost.filter(pl.col("role") == pair[0]),
        WITH: lost.filter(pl.col("role") == pair[1]),
        LEAVES: leaves,
    }


def _named(reason: str, rows: pl.DataFrame) -> dict[str, list[bytes]]:
    return {reason: sorted(rows["record_id"].to_list())} if rows.height else {}


def _material(
    data: StudyData, nectar: pl.DataFrame, each: dict[str, pl.DataFrame], left_out: dict[str, list[bytes]]
) -> Material:
    """Settle clusters and keep the measures of which there is enough."""
    homes = pl.concat([t.select("plant", "group") for t in each.values()]).unique().sort("group", "plant")
    clustered = "block" if homes["group"].n_unique() >= LEAST_CLUSTERS else "plant"
    column = "group" if clustered == "block" else "plant"
    labels = homes[column].unique().sort().to_list()
    code = {label: i for i, label in enumerate(labels)}
    measures, used = [], dict[str, list[bytes]]()
    for name, table in each.items():
        own = _by_plant(table) if name == WORKERS else table
        cluster = own[column].replace_strict(code, return_dtype=pl.Int64).to_numpy() if own.height else np.zeros(0)
        if own.height < LEAST or len(np.unique(cluster)) < LEAST_CLUSTERS:
            if name in GIVEN:
                left_out |= _named(TOO_FEW, table)
            continue
        measures.append(
            Measure(name, own["value"].to_numpy(), own["month"].cast(pl.Int64).to_numpy(), cluster.astype(np.int64))
        )
        used[_KINDS[name]] = sorted({*used.get(_KINDS[name], []), *table["record_id"].to_list()})
    calibrations, strange = {}, list[bytes]()
    for name in history.UNITS:
        values, ids, unknown = history.quantity_of(data, name)
        strange += unknown
        if values and min(values) > 0:
            calibrations[name] = mean_part(np.array(values))
            used["quantity"] = sorted([*used.get("quantity", []), *ids])
    if strange:
        left_out["quantity in a unit that is not known here"] = sorted(strange)
    dry = tuple(sorted(set(data.profile.dry_months)))
    there = [each[m.name].select("plant") for m in measures if m.name in GIVEN]
    plants = pl.concat(there)["plant"].n_unique() if there else 0
    return Material(nectar, tuple(measures), clustered, len(labels), plants, calibrations, dry, left_out, used)


def _by_plant(table: pl.DataFrame) -> pl.DataFrame:
    """Give each plant's mean, so that a plant counts once however many of its domatia were opened."""
    return table.group_by("plant", "group").agg(pl.col("value").mean(), pl.col("month").first()).sort("plant")


def sugar_of(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the reading at 20 °C, the sugar and the joules per nectary (and day, for production), and flags.

    `brix_20` is null where a reading cannot be used; `uncorrected` marks readings of unknown temperature, taken as
    they are; `small` volumes below half a microlitre taken up undiluted.
    """
    brix, celsius = (rows[c].cast(pl.Float64).to_numpy() for c in ("brix_pct", "temperature_c"))
    itself = rows["corrects_temperature"].fill_null(False).to_numpy()
    volume = rows["volume_ul"].cast(pl.Float64).to_numpy()
    dilution = rows["dilution"].cast(pl.Float64).fill_null(1.0).to_numpy()
    unknown = ~itself & np.isnan(celsius)
    at_20 = np.where(itself | unknown, brix, at_20_degrees(brix, np.where(np.isnan(celsius), 20.0, celsius)))
    at_20 = np.where(brix > MOST_BRIX, np.nan, at_20)
    at_20 = np.where(volume == 0, np.where(np.isnan(at_20), 0.0, at_20), at_20)
    sugar = sugar_mg(volume, at_20, dilution)
    nectaries = rows["nectaries"].cast(pl.Float64).to_numpy()
    made = (rows["kind"] == history.PRODUCTION).to_numpy()
    days = np.where(made, rows["bagged_h"].cast(pl.Float64).fill_null(HOURS_A_DAY).to_numpy() / HOURS_A_DAY, 1.0)
    return rows.with_columns(
        pl.Series("brix_20", at_20).fill_nan(None),
        pl.Series("sugar_mg", sugar).fill_nan(None),
        pl.Series("joules", joules(sugar) / nectaries / days).fill_nan(None),
        uncorrected=pl.Series(unknown & (volume > 0)),
        small=pl.Series((volume > 0) & (volume < SMALL_UL) & (dilution <= 1.0)),
    )


def enough(about: Material) -> str:
    """Give an empty text, or the sentence that says why there is too little."""
    if any(m.name in GIVEN for m in about.measures):
        return ""
    return (
        f"Too little to answer: nectar, food bodies or opened domatia need {LEAST} records each, of {LEAST_CLUSTERS} "
        "blocks or plants, with what was sampled and what the whole plant bears."
    )


Statistic = Callable[[Kept], Array]


def monthly_mean(measure: Measure, months: Sequence[int] | None, clusters: int) -> Statistic:
    """Give the mean over months of the mean of each month, so that a month counts once however often it was measured.

    Parameters
    ----------
    measure : Measure
    months : sequence of int or None
        These months alone.
    clusters : int
    """
    at = measure.months * clusters + measure.cluster
    total = np.bincount(at, measure.values, 13 * clusters).reshape(13, clusters)
    number = np.bincount(at, minlength=13 * clusters).reshape(13, clusters)
    if months is not None:
        total, number = total[list(months)], number[list(months)]

    def statistic(kept: Kept) -> Array:
        sums, counts = total[:, kept].sum(1), number[:, kept].sum(1)
        there = counts > 0
        return np.array([float(np.mean(sums[there] / counts[there])) if there.any() else np.nan])

    return statistic


@dataclass(frozen=True, eq=False)
class Means:
    """Clustered means by name, with their joint covariance, and the quantities measured apart."""

    names: tuple[str, ...]
    part: Part
    calibrations: Mapping[str, Part]

    def __contains__(self, name: str) -> bool:
        return name in self.names or name in self.calibrations

    def __getitem__(self, name: str) -> float:
        if name in self.names:
            return float(self.part.values[self.names.index(name)])
        return float(self.calibrations[name].values[0])

    def estimate(self, value: float, slopes: Mapping[str, float]) -> Estimate:
        """Give a number derived from means and quantities with these derivatives."""
        own = np.array([slopes.get(n, 0.0) for n in self.names])
        others = [(np.array([slopes[n]]), p) for n, p in self.calibrations.items() if n in slopes]
        return derived(value, [own, *(g for g, _ in others)], [self.part, *(p for _, p in others)])


def means(about: Material) -> Means:
    """Give all clustered means; seasons as "nectar, dry months" and "nectar, other months"."""
    names, statistics = [], []
    dry = about.dry_months
    others = tuple(m for m in range(1, 13) if m not in dry)
    for measure in about.measures:
        names.append(measure.name)
        statistics.append(monthly_mean(measure, None, about.clusters))
        wet_and_dry = measure.name in (NECTAR, STANDING, FOOD) and dry and others
        for season, months in (("dry months", dry), ("other months", others)) if wet_and_dry else ():
            blocks = np.unique(measure.cluster[np.isin(measure.months, months)])
            if len(blocks) >= LEAST_CLUSTERS:
                names.append(f"{measure.name}, {season}")
                statistics.append(monthly_mean(measure, months, about.clusters))
    values, doubt = leave_one_out(lambda kept: np.concatenate([s(kept) for s in statistics]), about.clusters)
    return Means(tuple(names), Part(values, doubt.covariance, doubt.df), about.calibrations)


def effects_of(found: Means) -> tuple[Effect, ...]:
    """Give all effects; the first is the main one."""
    energy = history.FOOD_ENERGY
    effects: list[Effect] = []
    if {NECTAR, FOOD} <= set(found.names) and energy in found:
        value = found[NECTAR] + found[FOOD] * found[energy]
        one = found.estimate(value, {NECTAR: 1.0, FOOD: found[energy], energy: found[FOOD]})
        effects.append(_positive("energy_per_plant_day", "nectar and food bodies", one, "J/d"))
    for name, label, unit in (
        (NECTAR, "energy_per_plant_day", "J/d"),
        (FOOD, "dry_mass_per_plant_day", "mg/d"),
        (STANDING, "energy_standing", "J"),
    ):
        for own in (n for n in found.names if n.split(", ")[0] == name):
            where = own.replace(STANDING, "nectar, standing crop", 1) if name == STANDING else own
            effects.append(_positive(label, where, found.estimate(found[own], {own: 1.0}), unit))
        effects += _season(found, name)
    if FOOD in found and energy in found:
        one = found.estimate(found[FOOD] * found[energy], {FOOD: found[energy], energy: found[FOOD]})
        effects.append(_positive("energy_per_plant_day", FOOD, one, "J/d"))
    effects += [*_saved(found), *_colony(found)]
    return tuple(replace(e, main=i == 0) for i, e in enumerate(effects))


def _season(found: Means, name: str) -> list[Effect]:
    dry, other = f"{name}, dry months", f"{name}, other months"
    if dry not in found or other not in found or min(found[dry], found[other]) <= 0:
        return []
    value = float(np.log(found[dry] / found[other]))
    one = found.estimate(value, {dry: 1 / found[dry], other: -1 / found[other]})
    shown = one.exponential()
    low, high, se = float(shown.low[0]), float(shown.high[0]), float(one.se[0])
    where = "nectar, standing crop" if name == STANDING else name
    ratio = float(shown.estimate[0])
    return [Effect("season_ratio", "dry months", "other months", ratio, low, high, where=where, standard_error=se)]


def given(found: Means) -> tuple[float, dict[str, float], str] | None:
    """Give what a plant spends a day, its derivatives and in what: all that is known in joules."""
    energy = history.FOOD_ENERGY
    value, slopes, kinds = 0.0, dict[str, float](), list[str]()
    if NECTAR in found:
        value, slopes = found[NECTAR], {NECTAR: 1.0}
        kinds.append(NECTAR)
    if FOOD in found and energy in found:
        value += found[FOOD] * found[energy]
        slopes |= {FOOD: found[energy], energy: found[FOOD]}
        kinds.append(FOOD)
    return (value, slopes, " and ".join(kinds)) if kinds and value > 0 else None


def workers(found: Means) -> tuple[float, dict[str, float]] | None:
    """Give workers a plant and their derivatives: a domatium's times the domatia, times the slope if one is known."""
    if WORKERS not in found or DOMATIA not in found:
        return None
    factors = (WORKERS, DOMATIA, *((history.WORKER_SLOPE,) if history.WORKER_SLOPE in found else ()))
    value = float(np.prod([found[f] for f in factors]))
    return value, {f: float(np.prod([found[g] for g in factors if g != f])) for f in factors}


def saved(found: Means) -> tuple[float, dict[str, float]] | None:
    """Give the energy of the leaf that ants save, a plant and day, and its derivatives."""
    if not all(n in found for n in (WITHOUT, WITH, LEAVES, *LEAF_QUANTITIES)):
        return None
    factors = (LEAVES, *LEAF_QUANTITIES)
    whole = float(np.prod([found[f] for f in factors])) / YEAR_DAYS
    share = found[WITHOUT] - found[WITH]
    others = {f: float(np.prod([found[g] for g in factors if g != f])) / YEAR_DAYS for f in factors}
    slopes = {WITHOUT: whole, WITH: -whole} | {f: share * others[f] for f in factors}
    return share * whole, slopes


def _saved(found: Means) -> list[Effect]:
    """Give the leaf saved, and against what the plant gives where some is saved beyond doubt."""
    leaf, spent = saved(found), given(found)
    if leaf is None:
        return []
    one = found.estimate(*leaf)
    estimate, low, high, se = (float(v[0]) for v in (one.estimate, one.low, one.high, one.se))
    effects = [
        Effect("leaf_energy_saved", "with ants", "without", estimate, low, high, "J/d", "leaf", standard_error=se)
    ]
    if spent is None or low <= 0:
        return effects
    value = float(np.log(leaf[0] / spent[0]))
    slopes = {k: v / leaf[0] for k, v in leaf[1].items()}
    for k, v in spent[1].items():
        slopes[k] = slopes.get(k, 0.0) - v / spent[0]
    ratio = found.estimate(value, slopes)
    shown = ratio.exponential()
    ends = (float(shown.estimate[0]), float(shown.low[0]), float(shown.high[0]))
    se = float(ratio.se[0])
    return [*effects, Effect("saved_to_given_ratio", "leaf saved", spent[2], *ends, where="leaf", standard_error=se)]


def _colony(found: Means) -> list[Effect]:
    effects = []
    if WORKERS in found:
        effects.append(_positive("workers_per_domatium", HELD, _own(found, WORKERS), "1"))
    there = workers(found)
    if there is not None:
        one = found.estimate(*there)
        effects.append(_positive("workers_per_plant", HELD, one, "1"))
    mass = history.DOMATIUM_MASS
    if DOMATIA in found and mass in found:
        one = found.estimate(found[DOMATIA] * found[mass], {DOMATIA: found[mass], mass: found[DOMATIA]})
        effects.append(_positive("domatia_mass", HELD, one, "mg"))
    return effects


def _own(found: Means, name: str) -> Estimate:
    return found.estimate(found[name], {name: 1.0})


def _positive(name: str, where: str, one: Estimate, unit: str) -> Effect:
    estimate, low, high, se = (float(v[0]) for v in (one.estimate, one.low, one.high, one.se))
    return Effect(name, ALL_PLANTS, "", estimate, max(low, 0.0), high, unit, where, standard_error=se)
