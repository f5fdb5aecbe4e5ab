"""The numbers of the resprout question: what came back after a year, who took it, and visits until nothing did."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.facts import plant_facts
from domatia.histories.stumps import AWAY, LEFT, gone_for_good, stumps_of
from domatia.model import Ask, Effect, Rows, StudyData
from domatia.model.dates import DAYS_A_YEAR
from domatia.stats.canonical import coefficients
from domatia.stats.clustering import Uncertainty, one_sided
from domatia.stats.decay import exponential_decay
from domatia.stats.group_means import Statistic, group_means, logits
from domatia.stats.leave_one_out import leave_one_out

Array = NDArray[np.float64]
Kept = NDArray[np.bool_]

AFTER, WINDOW = DAYS_A_YEAR, 100.0
APART_DAYS = 180.0
WANTED = 0.95
LEAST = 10
NO_YEAR = "stump that nobody looked at about a year after the cut"
YEAR, LIVE_YEAR = "after 1 year", "live stumps after 1 year"
GONE = f"{WANTED:.0%}".replace("%", " % without live tissue")


@dataclass(frozen=True)
class Material:
    """What the question rests on.

    Attributes
    ----------
    plants : polars.DataFrame
        As `domatia.histories.stumps.Stumps.plants`, with `record_id`, `cluster`, `value` (group compared), and the look
        nearest to a year after the cut: `live`, `held` (null without one).
    looks : polars.DataFrame
    ends : polars.DataFrame
        As `gone_for_good` gives them, with `cluster`.
    names : tuple of str
        Groups, the reference first.
    column : str
        What stumps are compared by.
    clusters : int
    acts : list of bytes
    left_out : dict of str to list of bytes
    """

    plants: pl.DataFrame
    looks: pl.DataFrame
    ends: pl.DataFrame
    names: tuple[str, ...]
    column: str
    clusters: int
    acts: list[bytes]
    left_out: dict[str, list[bytes]]

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        used = {"plant": self.plants["record_id"].to_list(), "visit": self.looks["record_id"].to_list(),
                "intervention": self.acts}  # fmt: skip
        number = self.plants.height
        words = f"{number:,} cut plants, {self.looks.height:,} later looks, {self.clusters} blocks"
        return Rows(
            number, self.clusters, self.looks.height, {k: v for k, v in used.items() if v}, self.left_out, words
        )


def gather(data: StudyData, ask: Ask) -> Material:
    """Find the cut plants, the looks at them, and their groups."""
    stumps = stumps_of(data)
    facts = plant_facts(data).select("plant", "record_id", "group", "habitat")
    plants = stumps.plants.join(facts, on="plant", how="inner").sort("plant")
    near = stumps.looks.with_columns(far=(pl.col("days") - AFTER).abs()).filter(pl.col("far") <= WINDOW)
    # a look at which somebody looked for ants says more than a nearer one at which nobody did
    best = near.sort("plant", "far", "number").group_by("plant", maintain_order=True).agg(
        live=pl.col("live").first(), held=pl.col("held").drop_nulls().first()
    )  # fmt: skip
    plants = plants.join(best, on="plant", how="left", maintain_order="left")
    column = ask.by or "crown"
    plants = plants.with_columns(
        value=pl.col(column).cast(pl.String), cluster=pl.col("group").rank("dense").cast(pl.Int64) - 1
    )
    looks = stumps.looks.join(plants.select("plant"), on="plant", how="semi").sort("plant", "number")
    ends = gone_for_good(looks, APART_DAYS).join(plants.select("plant", "cluster", "value"), on="plant")
    out = dict(stumps.left_out)
    blind = plants.filter(pl.col("live").is_null())
    if blind.height:
        out[NO_YEAR] = blind["record_id"].sort().to_list()
    there = plants.filter(pl.col("live").is_not_null() & pl.col("value").is_not_null())
    sizes = there.group_by("value").agg(n=pl.len(), blocks=pl.col("cluster").n_unique())
    ready = sizes.filter((pl.col("n") >= LEAST) & (pl.col("blocks") > 1)).sort(["n", "value"], descending=[True, False])
    names = ready["value"].to_list()
    if column == "crown" and {LEFT, AWAY} <= set(names):
        names = [AWAY, LEFT, *(n for n in names if n not in (LEFT, AWAY))]
    acts = stumps.acts if plants.height else []
    return Material(plants, looks, ends, tuple(names), column, plants["cluster"].n_unique(), acts, out)


def _shares(about: Material, table: pl.DataFrame, column: str) -> Statistic:
    code = {n: i for i, n in enumerate(about.names)}
    known = table.filter(pl.col("value").is_in(about.names) & pl.col(column).is_not_null())
    group = known["value"].replace_strict(code, return_dtype=pl.Int64).to_numpy()
    value = known[column].cast(pl.Float64).to_numpy()
    return group_means(group, known["cluster"].to_numpy(), value, len(code), about.clusters)


def _inside(about: Material, table: pl.DataFrame, column: str, blocks: int) -> bool:
    """Tell whether each group has both outcomes in so many blocks."""
    for value in (0, 1):
        some = table.filter(pl.col(column) == value).group_by("value").agg(pl.col("cluster").n_unique())
        by = dict(some.iter_rows())
        if any(by.get(n, 0) < blocks for n in about.names):
            return False
    return True


def _effect(label: str, pair: tuple[str, str], found: tuple[Array, Uncertainty], w: Array, where: str) -> Effect:
    values, doubt = found
    one = doubt.linear(np.atleast_1d(w @ values), w[None, :])
    shown = one.exponential() if "ratio" in label else one
    estimate, low, high, se = (float(v[0]) for v in (shown.estimate, shown.low, shown.high, one.se))
    return Effect(label, *pair, estimate, low, high, where=where, standard_error=se)


def returned(about: Material) -> list[Effect]:
    """Compare the shares of stumps with live tissue after a year, and of live stumps that ants hold then."""
    effects: list[Effect] = []
    if len(about.names) < 2 or about.clusters < 3:
        return effects
    known = about.plants.filter(pl.col("live").is_not_null())
    live = known.filter((pl.col("live") == 1) & pl.col("held").is_not_null())
    for table, column, label, where in (
        (known, "live", "resprouting", YEAR), (live, "held", "reoccupied", LIVE_YEAR)
    ):  # fmt: skip
        sizes = dict(table.group_by("value").len().iter_rows())
        if any(sizes.get(n, 0) < LEAST for n in about.names):
            continue
        shares = _shares(about, table, column)
        plain = leave_one_out(shares, about.clusters)
        odds = leave_one_out(logits(shares), about.clusters) if _inside(about, table, column, 3) else None
        for i, name in enumerate(about.names[1:], 1):
            w = np.zeros(len(about.names))
            w[i], w[0] = 1.0, -1.0
            pair = (name, about.names[0])
            effects.append(_effect(f"{label}_difference", pair, plain, w, where))
            if odds is not None:
                effects.append(_effect(f"{label}_odds_ratio", pair, odds, w, where))
        for i, name in enumerate(about.names):
            one = plain[1].linear(plain[0][[i]], np.eye(len(about.names))[[i]])
            number = table.filter(pl.col("value") == name).height
            ends = one_sided(one, number)
            estimate, low, high, se = (float(v[0]) for v in (ends.estimate, ends.low, ends.high, one.se))
            effects.append(Effect(f"{label}_share", name, "", estimate, low, high, where=where, standard_error=se))
    return effects


def by_height(about: Material) -> list[Effect]:
    """Give the odds ratio of live tissue after a year for 10 cm more of the stump."""
    known = about.plants.filter(pl.col("live").is_not_null() & pl.col("height_cm").is_not_null())
    live, block = known["live"].cast(pl.Float64).to_numpy(), known["cluster"].to_numpy()
    if known.height < 2 * LEAST or known["height_cm"].n_unique() < 3 or min(live.sum(), (1 - live).sum()) < LEAST:
        return []
    design = np.column_stack([np.ones(known.height), known["height_cm"].to_numpy() / 10.0])
    found = _refitted(lambda own: coefficients(live[own], design[own], "logit")[1:], block, about.clusters)
    if found is None:
        return []
    pair = ("10 cm more of the stump", "10 cm less")
    return [_effect("resprouting_odds_ratio", pair, found, np.ones(1), YEAR)]


def _refitted(
    fit: Callable[[Kept], Array], block: NDArray[np.int64], clusters: int
) -> tuple[Array, Uncertainty] | None:
    """Leave out one block at a time and fit again; None where a fit fails without one of them."""
    if clusters < 3:
        return None
    try:
        return leave_one_out(lambda kept: fit(kept[block]), clusters)
    except ValueError:
        return None


def near_crown(about: Material) -> list[Effect]:
    """Say how reoccupation falls with the distance of the crown: the distance over which its chance halves."""
    rows = _with_crown(about)
    held, distance, block = (rows[c].cast(pl.Float64).to_numpy() for c in ("held", "distance_m", "cluster"))
    if rows.height < 2 * LEAST or rows["distance_m"].n_unique() < 4 or min(held.sum(), (1 - held).sum()) < LEAST:
        return []
    whole = exponential_decay(distance, held)
    found = _refitted(
        lambda own: np.log([exponential_decay(distance[own], held[own], whole).halving]),
        block.astype(np.int64),
        about.clusters,
    )
    if found is None or float(np.exp(found[0][0])) > 50 * float(distance.max()):
        return []
    one = found[1].linear(found[0], np.eye(1)).exponential()
    estimate, low, high, se = (float(v[0]) for v in (one.estimate, one.low, one.high, one.se))
    return [Effect("reoccupied_halving_distance", LEFT, "", estimate, low, high, "m", LIVE_YEAR, standard_error=se)]


def _with_crown(about: Material) -> pl.DataFrame:
    whole = (pl.col("live") == 1) & pl.col("held").is_not_null() & pl.col("distance_m").is_not_null()
    return about.plants.filter(whole)


def visits_needed(about: Material) -> list[Effect]:
    """Say after how many visits the wanted share has no live tissue, if the chance a visit stays what it was."""
    ends = about.ends
    gone, block = ends["gone"].to_numpy(), ends["cluster"].to_numpy()
    at_risk = ends["number"].to_numpy()
    if gone.sum() < LEAST or about.clusters < 3 or int(at_risk.sum()) <= int(gone.sum()):
        return []
    died = np.bincount(block, gone, about.clusters)
    risk = np.bincount(block, at_risk, about.clusters)
    if np.any(risk.sum() - risk <= died.sum() - died) or np.any(died.sum() - died <= 0):
        return []

    def log_number(kept: Kept) -> Array:
        chance = died[kept].sum() / risk[kept].sum()
        return np.atleast_1d(np.log(np.log(1 - WANTED) / np.log1p(-chance)))

    values, doubt = leave_one_out(log_number, about.clusters)
    one = doubt.linear(values, np.eye(1)).exponential()
    estimate, low, high, se = (float(v[0]) for v in (one.estimate, one.low, one.high, one.se))
    return [
        Effect("visits_needed_constant_chance", "all stumps", "", estimate, low, high, "1", GONE, standard_error=se)
    ]


def tables(about: Material) -> dict[str, pl.DataFrame]:
    """Give shares by group, reoccupation by distance, and the share without live tissue after each visit."""
    known = about.plants.filter(pl.col("live").is_not_null())
    step = ((pl.col("distance_m") / 3).floor() * 3).alias("metres_from")
    height = ((pl.col("height_cm") / 20).floor() * 20).alias("cm_from")
    both = [pl.len().alias("stumps"), pl.col("live").mean().alias("live_after_a_year")]
    return {
        "by_group": known.group_by(group="value").agg(
            *both, pl.col("held").count().alias("looked_for_ants"), pl.col("held").mean().alias("held_by_ants")
        ).sort("group"),
        "by_height": known.filter(pl.col("height_cm").is_not_null()).group_by(height).agg(both).sort("cm_from"),
        "by_distance": _with_crown(about).group_by(step).agg(
            live_stumps=pl.len(), held_by_ants=pl.col("held").mean()
        ).sort("metres_from"),
        "visits": after_visits(about),
    }  # fmt: skip


def after_visits(about: Material) -> pl.DataFrame:
    """Give the share of stumps without live tissue for good after each visit (Kaplan and Meier's estimate)."""
    schema = {"visit": pl.Int64, "at_risk": pl.Int64, "gone": pl.Int64, "share": pl.Float64, "low": pl.Float64,
              "high": pl.Float64}  # fmt: skip
    ends = about.ends.filter(pl.col("number") > 0)
    if ends.is_empty() or about.clusters < 2:
        return pl.DataFrame(schema=schema)
    number, gone, block = (ends[c].to_numpy() for c in ("number", "gone", "cluster"))
    visits = np.arange(1, int(number.max()) + 1)
    risk = np.array([np.bincount(block[number >= v], minlength=about.clusters) for v in visits])
    died = np.array([np.bincount(block[(number == v) & (gone == 1)], minlength=about.clusters) for v in visits])

    def share(kept: Kept) -> Array:
        stay = 1 - died[:, kept].sum(1) / np.maximum(risk[:, kept].sum(1), 1)
        return np.asarray(1 - np.cumprod(stay), dtype=np.float64)

    values, doubt = leave_one_out(share, about.clusters)
    one = doubt.linear(values, np.eye(len(values)))
    return pl.DataFrame(
        {
            "visit": visits,
            "at_risk": risk.sum(1),
            "gone": died.sum(1),
            "share": one.estimate,
            "low": np.clip(one.low, 0, 1),
            "high": np.clip(one.high, 0, 1),
        },
        schema=schema,
    )
