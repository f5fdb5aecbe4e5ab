"""The numbers of the brood question: from a study to broods, and from broods to crowding, eggs and matching."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories import broods as history
from domatia.histories.facts import plant_facts
from domatia.histories.groups import Groups, groups_of
from domatia.model import Ask, Effect, Rows, StudyData
from domatia.questions.standing_doubts import VERY_FEW_BLOCKS
from domatia.stats.clustering import Estimate, two_sided_quantile
from domatia.stats.crowding import Broods, Crowding, best_density, crowding, profile, rising
from domatia.stats.mean_models import MeanModel, mean_model
from domatia.stats.row_likelihood import ranked

Array = NDArray[np.float64]

LEAST_BROODS, LEAST_PLANTS, LEAST_WITH_EGGS = 20, 20, 10
"""Records below which a part is not estimated; common practice, no source."""
AREA_KNOWN = 0.8
AREA_CM2 = 100.0
MOST_PROFILED = 20_000
LEAST_SCALE = 0.3
ALL_BROODS, AS_OCCUPIED, AS_ASSIGNED = "all broods", "as occupied", "as assigned"


@dataclass(frozen=True, eq=False)
class Crowded:
    """Survival by density.

    Attributes
    ----------
    table : polars.DataFrame
        The broods used, with `density` (larvae for each 100 cm2 of leaf).
    fit : Crowding
        The family, or "no crowding" where none was shown.
    forms : tuple of Crowding
        The family and its limits.
    ends : (float, float)
        Interval of the exponent.
    score : float
        Rise of survival with density, in standard errors.
    shown : bool
        Whether crowding was shown.
    """

    table: pl.DataFrame
    fit: Crowding
    forms: tuple[Crowding, ...]
    ends: tuple[float, float]
    score: float
    shown: bool


@dataclass(frozen=True, eq=False)
class Eggs:
    """Eggs of two groups of plants.

    Attributes
    ----------
    where, of, against : str
    plants, laid : int
        Plants looked at for eggs, and with eggs.
    every, given, chance : MeanModel or None
        Eggs a plant, eggs on plants with eggs, whether any; the group is column 1. None where too few.
    """

    where: str
    of: str
    against: str
    plants: int
    laid: int
    every: MeanModel | None
    given: MeanModel | None
    chance: MeanModel | None


@dataclass(frozen=True, eq=False)
class Material:
    """The broods that the question rests on, and what was estimated; None where there was too little."""

    broods: history.Broods
    crowded: Crowded | None
    match: MeanModel | None
    matched: int
    eggs: tuple[Eggs, ...]
    groups: Groups | None
    why: dict[str, str]

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        table = self.broods.table
        plants, blocks = table["plant"].n_unique(), table["cluster"].n_unique()
        words = f"{table.height:,} broods looked for on {plants:,} plants in {blocks:,} blocks"
        used = {"brood": table["record_id"].to_list()}
        return Rows(plants, blocks, table.height, used, self.broods.left_out, words)


def gather(data: StudyData, ask: Ask) -> Material:
    """Read the broods and estimate what they can tell."""
    found = history.broods(data)
    table = found.table
    why: dict[str, str] = {}
    crowded = _crowded(table, why)
    match, matched = _match(table, why)
    occupied = table.filter(pl.col("ants").is_in([history.DEFENDED, history.EMPTY])).with_columns(value="ants")
    pairs = [_eggs(occupied, AS_OCCUPIED, (history.DEFENDED, history.EMPTY), adjust=True)]
    groups = _groups(data, ask)
    if groups is not None:
        given = table.filter(pl.col("t").is_null() | pl.col("start").is_null() | (pl.col("t") >= pl.col("start")))
        given = given.join(groups.members, on="plant")
        where = AS_ASSIGNED if groups.column == "treatment" else f"by {groups.column.replace('_', ' ')}"
        pairs += [_eggs(given, where, (p.of, p.against), adjust=False) for p in groups.pairs]
    eggs = tuple(p for p in pairs if p is not None)
    if not eggs:
        why["eggs"] = f"fewer than {LEAST_PLANTS} plants looked at for eggs with ants, or without"
    return Material(found, crowded, match, matched, eggs, groups, why)


def _groups(data: StudyData, ask: Ask) -> Groups | None:
    if not ask.by and data.table("assignment")["treatment"].n_unique() < 2:
        return None
    return groups_of(plant_facts(data), ask.by, ask.pool)


def _crowded(table: pl.DataFrame, why: dict[str, str]) -> Crowded | None:
    rows = table.filter((pl.col("larvae") > 0) & pl.col("survivors").is_not_null() & pl.col("area").is_not_null())
    rows = rows.with_columns(density=pl.col("larvae") / pl.col("area") * AREA_CM2)
    alive, larvae = int(rows["survivors"].sum()), int(rows["larvae"].sum())
    if rows.height < LEAST_BROODS or rows["density"].n_unique() < 5 or alive in (0, larvae):
        why["crowding"] = (
            f"{rows.height} broods with larvae, survivors and leaf area, {alive} of {larvae} larvae alive; at least "
            f"{LEAST_BROODS} broods at different densities are needed, some larvae alive and some dead"
        )
        return None
    larvae_, survivors, density, cluster = (rows[c].to_numpy() for c in ("larvae", "survivors", "density", "cluster"))
    data = Broods(larvae_, survivors, density, cluster)
    family, none = crowding(data), crowding(data, "no crowding")
    forms = (family, crowding(data, "contest"), crowding(data, "total failure"), none)
    scale = _scale(family)
    shown = (family.log_likelihood - none.log_likelihood) / max(scale, 1.0) > 3.0
    if not shown:
        return Crowded(rows, none, forms, (0.0, np.inf), rising(data), shown)
    return Crowded(rows, family, forms, _ends(data, family, scale), rising(data), shown)


def _scale(fit: Crowding) -> float:
    """Give the variance of the exponent over blocks beside the model's, with very few blocks at least 1."""
    if 2 not in fit.free:
        return 1.0
    j = fit.free.index(2)
    doubt = fit.uncertainty
    ratio = float(doubt.covariance[j, j] / max(doubt.model_covariance[j, j], 1e-300))
    return max(ratio, 1.0 if doubt.clusters < VERY_FEW_BLOCKS else LEAST_SCALE)


def _ends(data: Broods, fit: Crowding, scale: float) -> tuple[float, float]:
    """Give the exponent's interval by profile likelihood, widened for blocks; for very many broods from its error."""
    if len(data.larvae) > MOST_PROFILED and 2 in fit.free:
        j = fit.free.index(2)
        half = fit.uncertainty.quantile * float(np.sqrt(fit.uncertainty.covariance[j, j]))
        return float(np.exp(fit.theta[2] - half)), float(np.exp(fit.theta[2] + half))
    normal = two_sided_quantile(fit.uncertainty.level)
    return profile(data, fit, scale=scale * (fit.uncertainty.quantile / normal) ** 2)


def _match(table: pl.DataFrame, why: dict[str, str]) -> tuple[MeanModel | None, int]:
    """Fit the size of broods on leaf area, with the same ants: eggs where they were counted, else larvae."""
    what = "eggs" if table.filter(pl.col("eggs") > 0).height >= LEAST_WITH_EGGS else "larvae"
    rows = table.filter((pl.col(what) > 0) & pl.col("area").is_not_null())
    if rows.height < LEAST_WITH_EGGS or rows["area"].n_unique() < 3:
        why["match"] = f"{rows.height} broods on plants of known leaf area; at least {LEAST_WITH_EGGS} are needed"
        return None, rows.height
    columns = [np.ones(rows.height), rows["area"].log().to_numpy()]
    for ants in rows["ants"].unique().sort().to_list()[1:]:
        more = [*columns, (rows["ants"] == ants).cast(pl.Float64).to_numpy()]
        columns = more if ranked(np.column_stack(more)) else columns
    y, cluster = rows[what].to_numpy().astype(np.float64), rows["cluster"].to_numpy()
    return mean_model(y, np.column_stack(columns), "log", cluster), rows.height


def _eggs(table: pl.DataFrame, where: str, pair: tuple[str, str], *, adjust: bool) -> Eggs | None:
    rows = table.filter(pl.col("eggs").is_not_null() & pl.col("value").is_in(list(pair)))
    if adjust and rows.height and rows["area"].count() >= AREA_KNOWN * rows.height:
        rows = rows.filter(pl.col("area").is_not_null())
    else:
        adjust = False
    sizes = [rows.filter(pl.col("value") == v).height for v in pair]
    laid = rows.filter(pl.col("eggs") > 0)
    if min(sizes) < LEAST_PLANTS or laid.is_empty():
        return None
    every = _mean(rows, pl.col("eggs"), pair, adjust)
    few = min(laid.filter(pl.col("value") == v).height for v in pair) < LEAST_WITH_EGGS
    given = None if few else _mean(laid, pl.col("eggs"), pair, adjust)
    both = 0 < laid.height < rows.height
    chance = _mean(rows, pl.col("eggs") > 0, pair, adjust, share=True) if both else None
    return Eggs(where, *pair, rows.height, laid.height, every, given, chance)


def _mean(rows: pl.DataFrame, y: pl.Expr, pair: tuple[str, str], adjust: bool, *, share: bool = False) -> MeanModel:
    columns = [np.ones(rows.height), (rows["value"] == pair[0]).cast(pl.Float64).to_numpy()]
    if adjust and rows["area"].n_unique() > 1:
        logs = rows["area"].log().to_numpy()
        columns.append(logs - logs.mean())
    values = rows.select(y.cast(pl.Float64)).to_series().to_numpy()
    return mean_model(values, np.column_stack(columns), "logit" if share else "log", rows["cluster"].to_numpy())


def effects(about: Material) -> list[Effect]:
    """Give the effects: matching, crowding, eggs."""
    found: list[Effect] = []
    if about.match is not None:
        c = about.match.coefficients
        found.append(_plain("match_exponent", ("brood size", "leaf area"), c, 1, "broods with eggs"))
    if about.crowded is not None:
        found += _crowding_effects(about.crowded)
    for e in about.eggs:
        for name, model in (("eggs_ratio", e.every), ("laid_odds_ratio", e.chance), ("eggs_given_laid_ratio", e.given)):
            if model is not None:
                found.append(_ratio(name, e, model))
    return found


def _plain(name: str, pair: tuple[str, str], c: Estimate, j: int, where: str) -> Effect:
    value, low, high = (float(v[j]) for v in (c.estimate, c.low, c.high))
    return Effect(name, pair[0], pair[1], value, low, high, where=where, standard_error=float(c.se[j]))


def _ratio(name: str, e: Eggs, model: MeanModel) -> Effect:
    c = model.coefficients
    value, low, high = (float(np.exp(np.clip(v[1], -700.0, 700.0))) for v in (c.estimate, c.low, c.high))
    low = 0.0 if 1 in model.held and c.estimate[1] < 0 else low
    high = np.inf if 1 in model.held and c.estimate[1] > 0 else high
    return Effect(name, e.of, e.against, value, low, high, where=e.where, standard_error=float(c.se[1]))


def _crowding_effects(c: Crowded) -> list[Effect]:
    fit, found = c.fit, []
    if c.shown:
        b = float(np.exp(fit.theta[2]))
        error = _error(fit, np.array([0.0, 0.0, b, 0.0]))
        ends = min(c.ends[0], b), max(c.ends[1], b)
        found.append(Effect("crowding_exponent", "larvae", "", b, *ends, where=ALL_BROODS, standard_error=error))
    p = 1.0 / (1.0 + float(np.exp(-fit.theta[0])))
    error = _error(fit, np.array([1.0, 0.0, 0.0, 0.0]))
    half = fit.uncertainty.quantile * error if error is not None else np.inf
    low, high = (float(1.0 / (1.0 + np.exp(-np.clip(fit.theta[0] + s * half, -700, 700)))) for s in (-1.0, 1.0))
    plain = None if error is None else p * (1.0 - p) * error
    found.append(Effect("survival_uncrowded", "larvae", "", p, low, high, where=ALL_BROODS, standard_error=plain))
    best = best_of(c)
    if best is not None:
        unit = "1/(100 cm2)"
        value, low, high, plain = best
        found.append(
            Effect("best_density", "larvae", "", value, low, high, unit=unit, where=ALL_BROODS, standard_error=plain)
        )
    return found


def best_of(c: Crowded) -> tuple[float, float, float, float | None] | None:
    """Give the density with the most survivors per area with its interval; None where no density is the best."""
    if not c.shown or c.fit.theta[2] <= 0.0:
        return None
    at, slope = best_density(c.fit.theta)
    error = _error(c.fit, slope)
    half = c.fit.uncertainty.quantile * error if error is not None else np.inf
    high = np.inf if c.ends[0] <= 1.0 else float(np.exp(min(at + half, 700.0)))
    value = float(np.exp(min(at, 700.0)))
    return value, float(np.exp(at - half)), max(high, value), None if error is None else value * error


def _error(fit: Crowding, slope: Array) -> float | None:
    """Give the standard error of a quantity by its slopes in theta; None if a parameter ran into a limit."""
    need = [j for j in range(4) if slope[j] != 0.0]
    if not set(need) <= set(fit.free):
        return None
    g = slope[list(fit.free)]
    return float(np.sqrt(max(float(g @ fit.uncertainty.covariance @ g), 0.0)))
