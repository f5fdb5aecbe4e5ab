"""The mixed model of single leaves: shares missing, or ordered classes, with plants within blocks."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories import leaves as scored
from domatia.model import Effect
from domatia.questions.damage_numbers import Material
from domatia.stats.clustering import Estimate
from domatia.stats.families import BetaBinomial, Family
from domatia.stats.marginal import average_means, marginal_from_laplace
from domatia.stats.mixed_fit import RandomTerm
from domatia.stats.mixed_laplace import LaplaceFit, fit_laplace
from domatia.stats.ordered import Ordered

Array = NDArray[np.float64]

LEAST_LEAVES = 30
_LEAST_WEIGHT = 0.02
_PERCENTS = 100.0


@dataclass(frozen=True)
class Modelled:
    """Population-averaged contrasts of the mixed model.

    Attributes
    ----------
    effects : tuple of Effect
    components : polars.DataFrame
        Standard deviations between plants and between blocks, on the logit scale.
    notes : tuple of str
        What the fit had to say, each ``"code: sentence"``.
    """

    effects: tuple[Effect, ...]
    components: pl.DataFrame
    notes: tuple[str, ...]


def modelled(about: Material) -> Modelled:
    """Fit the missing share of single leaves (vanished leaves by fate) by group, plants within blocks random.

    Percentages: beta-binomial with 100 trials a leaf, so that 0 and 100 % are possible. Classes: cumulative logit with
    free thresholds; an eaten leaf is a class of its own at the top. A leaf that vanished for unknown cause counts as
    eaten with the weight that `eaten_share` gives it.
    """
    weight = "near_w" if about.scores.classes else "w_fate"
    rows = about.after.filter(pl.col(weight) > _LEAST_WEIGHT)
    home = about.members.select("plant", "value", "cluster").with_row_index("unit")
    rows = rows.join(home, on="plant", maintain_order="left").filter(pl.col("value").is_in(about.names))
    nothing = Modelled((), pl.DataFrame(schema={"between": pl.String, "sd": pl.Float64}), ())
    if rows.height < LEAST_LEAVES or rows["value"].n_unique() < 2:
        return nothing
    family, values = _family(about, rows)
    if family is None:
        return nothing
    X, names = _design(about, rows, constant=values is None)
    plants = RandomTerm("plant", rows["unit"].to_numpy().astype(np.int64))
    blocks = RandomTerm("block", rows["cluster"].to_numpy())
    alone = rows["cluster"].n_unique() == rows["unit"].n_unique()
    random = (plants,) if alone else (plants, blocks)
    weights = np.clip(rows[weight].to_numpy(), _LEAST_WEIGHT, 1.0)
    fit = fit_laplace(family, X, names, random, weights=weights, clusters=blocks.groups)
    components = pl.DataFrame({"between": [f"{n}s" for n in fit.random_names], "sd": fit.random_sd})
    return Modelled(_effects(about, fit, values, rows), components, fit.warnings)


def _family(about: Material, rows: pl.DataFrame) -> tuple[Family | None, Array | None]:
    """Give the distribution of the scores and, for classes, what share each class stands for."""
    classes = about.scores.classes
    if not classes:
        share = (rows["wv_fate"] / rows["w_fate"]).clip(0.0, 1.0).to_numpy()
        hits = np.rint(_PERCENTS * share)
        if not hits.any() or hits.min() == _PERCENTS:
            return None, None
        return BetaBinomial(hits, np.full(len(hits), _PERCENTS)), None
    eaten = (pl.col("near") >= 1.0).fill_null(False)
    code = pl.when(eaten).then(len(classes)).otherwise(scored.class_of(pl.col("near"), classes))
    codes = rows.select(c=code)["c"].to_numpy().astype(np.int64)
    levels = np.unique(codes)
    if len(levels) < 2:
        return None, None
    middles = np.array([*((c.low_pct + c.high_pct) / 200 for c in classes), 1.0])
    return Ordered(codes), middles[levels]


def _design(about: Material, rows: pl.DataFrame, *, constant: bool) -> tuple[Array, tuple[str, ...]]:
    place = about.columns.plants.with_row_index("at")
    at = rows.select("plant").join(place, on="plant", maintain_order="left")["at"].to_numpy()
    dummies = [(rows["value"] == g).cast(pl.Float64).to_numpy() for g in about.names[1:]]
    ones = [np.ones(rows.height)] if constant else []
    names = (*(("constant",) if constant else ()), *about.names[1:], *about.columns.names)
    return np.column_stack([*ones, *dummies, about.columns.matrix[at]]), names


def _effects(about: Material, fit: LaplaceFit, values: Array | None, rows: pl.DataFrame) -> tuple[Effect, ...]:
    """Average the expected share over the plants, each once, with their group set to each in turn."""
    if fit.scores is None:
        return ()
    model = marginal_from_laplace(fit, values)
    plants = rows.unique("plant", keep="first", maintain_order=True)
    plants = plants if about.columns.names else plants.head(1)
    scenarios = {
        g: _design(about, plants.with_columns(value=pl.lit(g)), constant=values is None)[0] for g in about.names
    }
    averages = average_means(model, scenarios)
    doubt = fit.scores.uncertainty("jackknife")
    where = about.where(scored.BY_FATE)
    found = []
    for p in (p for p in about.groups.pairs if {p.of, p.against} <= set(about.names)):
        difference = averages.difference(p.of, p.against, doubt, 100.0)
        found.append(_effect((f"missing_difference{about.time}_model", p.of, p.against), difference, "%", where))
        ratio = averages.log_ratio(p.of, p.against, doubt)
        found.append(_effect((f"missing_log_ratio{about.time}_model", p.of, p.against), ratio, "1", where))
    return tuple(found)


def _effect(told: tuple[str, str, str], c: Estimate, unit: str, where: str) -> Effect:
    estimate, low, high, se = (float(v[0]) for v in (c.estimate, c.low, c.high, c.se))
    return Effect(*told, estimate, low, high, unit=unit, where=where, standard_error=se)
