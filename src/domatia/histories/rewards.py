"""What a plant gives its ants: nectar, food bodies, domatia and their workers, and what was weighed once for all."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from domatia.histories.facts import plant_facts
from domatia.histories.looks import DIED, FOUNDING, UNKNOWN, VACANT, last_known, looks
from domatia.histories.moments import position
from domatia.histories.patrols import NOT_LOOKED, with_ants
from domatia.model.study import StudyData

STANDING, PRODUCTION = "standing crop", "production"
NO_PLANT = "record of a plant that is not in the study"
NO_KIND = "nectar neither called standing crop nor production"
NO_VOLUME = "nectar without a volume"
NO_BRIX = "nectar with a volume but no reading: its sugar is unknown, not nought"
NO_HOURS = "production without the hours in the bag"
DRUNK = "production measured while ants could drink"
NO_NECTARIES = "nectar without the number of nectaries sampled"
NO_MASS = "food bodies without dry mass"
NO_FOOD_HOURS = "food bodies without the hours of collection"
NO_SHOOTS = "food bodies without the number of shoots sampled"
NO_WORKERS = "domatium opened, workers not counted"
NO_DATE = "record without a month"
OPENED_UNSEEN = "domatium opened on a plant on which nobody had looked for ants before"
OPENED_TREATED = "domatium opened after ants were taken off the plant"
OPENED_VACANT = "domatium opened on a plant on which the last look found no patrolling ants"

FOOD_ENERGY, DOMATIUM_MASS = "food body energy", "domatium dry mass"
WORKER_SLOPE = "worker slope"
LEAF_MASS, LEAF_ENERGY, LEAF_AREA = "leaf mass per area", "leaf energy", "leaf area"
UNITS: dict[str, dict[str, float]] = {
    FOOD_ENERGY: {"J/mg": 1.0, "kJ/g": 1.0},
    DOMATIUM_MASS: {"mg": 1.0, "g": 1000.0},
    LEAF_MASS: {"mg/cm2": 1.0, "g/m2": 0.1},
    LEAF_ENERGY: {"J/mg": 1.0, "kJ/g": 1.0},
    LEAF_AREA: {"cm2": 1.0},
    WORKER_SLOPE: {"": 1.0, "1": 1.0},
}
"""Quantities that are read, by name and unit, with the factor to the first unit."""


@dataclass(frozen=True)
class Gathered:
    """Records that can be used.

    Attributes
    ----------
    rows : polars.DataFrame
        The record's own columns, `t` (day since 1970), `month` (1 to 12), `group` (id of the block); sorted.
    left_out : dict of str to list of bytes
    """

    rows: pl.DataFrame
    left_out: dict[str, list[bytes]]


def nectar_of(data: StudyData) -> Gathered:
    """Gather nectar: readings are as written; nought µL needs no reading."""
    made = pl.col("kind") == PRODUCTION
    reasons = (
        (NO_KIND, pl.col("kind").is_null()),
        (NO_VOLUME, pl.col("volume_ul").is_null()),
        (NO_BRIX, (pl.col("volume_ul") > 0) & pl.col("brix_pct").is_null()),
        (NO_NECTARIES, ~(pl.col("nectaries") > 0).fill_null(False)),
        (NO_HOURS, made & ~(pl.col("bagged_h") > 0).fill_null(False)),
        (DRUNK, made & ~pl.col("ants_excluded").fill_null(True)),
    )
    return _gathered(data, "nectar", reasons)


def food_bodies_of(data: StudyData) -> Gathered:
    """Gather food bodies with their dry mass; no bodies weigh nothing."""
    reasons = (
        (NO_MASS, pl.col("dry_mg").is_null()),
        (NO_FOOD_HOURS, ~(pl.col("hours") > 0).fill_null(False)),
        (NO_SHOOTS, ~(pl.col("shoots") > 0).fill_null(False)),
    )
    none = pl.when(pl.col("dry_mg").is_null() & (pl.col("bodies") == 0)).then(0.0).otherwise("dry_mg")
    return _gathered(data, "food_bodies", reasons, none.alias("dry_mg"))


def dissections_of(data: StudyData) -> Gathered:
    """Gather domatia opened on plants on which the last look at or before had found patrolling ants, one row each.

    Domatia opened on the day on which ants were taken off count as opened before.
    """
    opened = _gathered(data, "dissection", ((NO_WORKERS, pl.col("workers").is_null()),), dated=False)
    reasons = (
        (OPENED_UNSEEN, pl.col("ant") == NOT_LOOKED),
        (OPENED_TREATED, pl.col("treated")),
        (OPENED_VACANT, pl.col("ant").is_in([VACANT, FOUNDING])),
    )
    return _sorted_out(with_ants(opened.rows, data), reasons, opened.left_out)


def _gathered(
    data: StudyData,
    kind: str,
    reasons: Sequence[tuple[str, pl.Expr]],
    *columns: pl.Expr,
    dated: bool = True,
) -> Gathered:
    facts = plant_facts(data).select("plant", "group")
    rows = data.table(kind).with_columns(*columns).join(facts, on="plant", how="left")
    one_month = pl.col("when_earliest").dt.truncate("1mo") == pl.col("when_latest").dt.truncate("1mo")
    rows = rows.with_columns(t=position(), month=pl.when(one_month).then(pl.col("when_earliest").dt.month()))
    every = [(NO_PLANT, pl.col("group").is_null()), *reasons]
    if dated:
        every.append((NO_DATE, pl.col("month").is_null()))
    return _sorted_out(rows, every, {})


def _sorted_out(
    rows: pl.DataFrame, reasons: Sequence[tuple[str, pl.Expr]], before: Mapping[str, list[bytes]]
) -> Gathered:
    """Leave out rows for the first reason that holds, beside what was left out before."""
    why = pl.coalesce([pl.when(when).then(pl.lit(reason)) for reason, when in reasons])
    rows = rows.with_columns(why=why).sort("plant", "t", "record_id", nulls_last=True)
    out = rows.filter(pl.col("why").is_not_null()).sort("record_id")
    left_out = dict(before) | {
        reason: out.filter(pl.col("why") == reason)["record_id"].to_list()
        for reason, _ in reasons
        if (out["why"] == reason).any()
    }
    return Gathered(rows.filter(pl.col("why").is_null()).drop("why"), left_out)


def domatia_of_held_plants(data: StudyData) -> pl.DataFrame:
    """Give the last count of domatia of each plant on which workers patrolled at that look.

    Returns
    -------
    polars.DataFrame
        `plant`, `record_id` (of the visit), `t`, `domatia`, `how`, `group`; sorted by `plant`.
    """
    seen = last_known(looks(data)).filter(~pl.col("state").is_in([UNKNOWN, DIED, VACANT, FOUNDING]))
    counts = data.table("visit").filter(pl.col("domatia").is_not_null())
    counts = counts.select("record_id", "domatia", how="domatia_how")
    rows = seen.join(counts, on="record_id", how="inner").sort("plant", "t")
    last = rows.group_by("plant", maintain_order=True).last().select("plant", "record_id", "t", "domatia", "how")
    return last.join(plant_facts(data).select("plant", "group"), on="plant").sort("plant")


def with_occupant(data: StudyData, rows: pl.DataFrame) -> pl.DataFrame:
    """Add `occupant`: who lived on the plant at the last look at or before the record; null before any."""
    seen = last_known(looks(data)).filter((pl.col("state") != UNKNOWN) & pl.col("known").is_not_null())
    dated = rows.filter(pl.col("t").is_not_null()).sort("t")
    return dated.join_asof(
        seen.select("plant", "t", occupant="known").sort("t"), on="t", by="plant", check_sortedness=False
    )


def quantity_of(data: StudyData, name: str) -> tuple[list[float], list[bytes], list[bytes]]:
    """Give all values of a quantity in its standard unit, the ids of their records, and those in no known unit."""
    table = data.table("quantity").filter(pl.col("name").str.to_lowercase() == name)
    table = table.filter(pl.col("number").is_not_null()).sort("record_id")
    factor = table["unit"].fill_null("").replace_strict(UNITS[name], default=None, return_dtype=pl.Float64)
    known = table.with_columns(value=pl.col("number") * factor, known=factor.is_not_null())
    good, strange = known.filter("known"), known.filter(~pl.col("known"))
    return good["value"].to_list(), good["record_id"].to_list(), strange["record_id"].to_list()
