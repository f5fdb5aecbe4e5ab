"""What could mislead in the answer about rewards."""

import numpy as np
import polars as pl

from domatia.histories import rewards as history
from domatia.model import Doubt, StudyData
from domatia.questions.rewards_numbers import (
    DOMATIA,
    FOOD,
    LEAF_QUANTITIES,
    LEAVES,
    NECTAR,
    STANDING,
    WITH,
    WITHOUT,
    WORKERS,
    Material,
)
from domatia.questions.standing_doubts import FEW_BLOCKS, VERY_FEW_BLOCKS, open_findings
from domatia.questions.wording import share

MUCH, SHORT_H, LONG_H, FEW_MONTHS, NEAR_TIP = 0.2, 20.0, 48.0, 6, 3


def rewards_doubts(data: StudyData, about: Material, unused: tuple[str, ...]) -> tuple[Doubt, ...]:
    """Gather the doubts; the gravest first."""
    found: list[Doubt] = []
    if unused:
        text = f"This question compares no groups and allows for no fields: {' and '.join(unused)} had no effect."
        found.append(Doubt("not_used", "warning", text))
    found += [
        *_readings(about.nectar),
        *_bags(about.nectar),
        *_kinds(about),
        *_months(about),
        *_calibrated(about),
        *_leaf(about),
        *_opened(data, about),
        *_blocks(about),
    ]
    lost = sum(len(v) for v in about.left_out.values())
    if lost:
        worst = max(about.left_out.items(), key=lambda kv: (len(kv[1]), kv[0]))[0]
        found.append(Doubt("left_out", "note", f"{lost:,} records could not be used, most of them: {worst}."))
    undecided = sum(len(data.undecided.get(k, ())) for k in ("nectar", "food_bodies", "dissection", "quantity"))
    if undecided:
        text = f"{undecided} records have two values that nobody has decided between; they were left out."
        found.append(Doubt("undecided", "warning", text))
    order = {"error": 0, "warning": 1, "note": 2}
    return tuple(sorted([*found, *open_findings(data.findings)], key=lambda d: order[d.severity]))


def _readings(nectar: pl.DataFrame) -> list[Doubt]:
    found = []
    wet = nectar.filter(pl.col("volume_ul") > 0)
    if wet.is_empty():
        return []
    unknown, small = int(wet["uncorrected"].sum()), int(wet["small"].sum())
    if unknown:
        text = (
            f"Of {unknown:,} of {wet.height:,} readings neither the temperature is known nor that the instrument "
            "corrects for it; they were taken as read (at 30 °C that is 0.8 per cent too little)."
        )
        found.append(Doubt("no_temperature", "warning" if unknown > MUCH * wet.height else "note", text))
    if small:
        text = (
            f"{small:,} of {wet.height:,} volumes are below half a microlitre and were not diluted: volume and reading "
            "are then rough."
        )
        found.append(Doubt("small_volumes", "warning" if small > MUCH * wet.height else "note", text))
    text = "Readings count all that is dissolved as sucrose; honeydew of scale insects is not counted."
    found.append(Doubt("sucrose", "note", text))
    return found


def _bags(nectar: pl.DataFrame) -> list[Doubt]:
    made = nectar.filter(pl.col("kind") == history.PRODUCTION)
    found = []
    short = made.filter(pl.col("bagged_h") < SHORT_H).height
    long = made.filter(pl.col("bagged_h") > LONG_H).height
    if short:
        text = (
            f"{short:,} of {made.height:,} bags hung for less than {SHORT_H:.0f} hours and were brought to a day; "
            "nectar does not flow evenly over the day."
        )
        found.append(Doubt("short_bags", "note", text))
    if long:
        text = f"{long:,} bags hung for more than {LONG_H:.0f} hours: plants may have taken nectar back."
        found.append(Doubt("long_bags", "warning", text))
    unsaid = made.filter(pl.col("ants_excluded").is_null()).height
    if unsaid:
        text = f"Of {unsaid:,} measures of production it is not said whether ants were kept off."
        found.append(Doubt("ants_perhaps", "warning", text))
    return found


def _kinds(about: Material) -> list[Doubt]:
    there = {m.name for m in about.measures}
    if STANDING in there and NECTAR not in there:
        text = "Only standing crops were measured: what stands in a nectary says nothing of how much is made in a day."
        return [Doubt("standing_only", "warning", text)]
    if STANDING in there:
        text = "Standing crop is what ants left at that moment; it is no production and is given apart."
        return [Doubt("standing_apart", "note", text)]
    return []


def _months(about: Material) -> list[Doubt]:
    found = []
    for name in (NECTAR, FOOD):
        measure = about.measure(name)
        if measure is None:
            continue
        number = len(np.unique(measure.months))
        if number < 12:
            text = f"Of {name} only {number} of 12 months were measured; the mean is that of these months."
            found.append(Doubt("months_missing", "warning" if number < FEW_MONTHS else "note", text))
    if not about.dry_months:
        text = "The profile names no dry months, so that seasons are not compared."
        found.append(Doubt("no_dry_months", "note", text))
    return found


def _calibrated(about: Material) -> list[Doubt]:
    found = []
    if about.measure(FOOD) is not None and history.FOOD_ENERGY not in about.calibrations:
        text = (
            f"Food bodies are given as dry mass: their energy needs the quantity '{history.FOOD_ENERGY}' (J/mg), "
            "measured or from the literature."
        )
        found.append(Doubt("no_food_energy", "warning", text))
    once = sorted(n for n, p in about.calibrations.items() if p.covariance[0, 0] == 0)
    if once:
        text = f"Given as a single value, whose own error is unknown and not in the intervals: {', '.join(once)}."
        found.append(Doubt("single_value", "warning", text))
    return found


def _leaf(about: Material) -> list[Doubt]:
    lacking = [n for n in LEAF_QUANTITIES if n not in about.calibrations]
    if lacking:
        text = f"What ants save is not set against it: that needs the quantities {', '.join(lacking)}."
        return [Doubt("leaf_not_known", "note", text)]
    if any(about.measure(n) is None for n in (WITHOUT, WITH, LEAVES)):
        text = (
            "What ants save is not set against it: that needs marked leaves followed for a year on plants with and "
            "without ants, and leaves counted on the plants."
        )
        return [Doubt("leaf_not_known", "note", text)]
    text = (
        "Leaf saved is the energy of the tissue of living plants in the first year: what it would have earned, stems, "
        "flowers, growth and the plants' lives are not in it, nor the cost of building domatia."
    )
    return [Doubt("leaf_only", "note", text)]


def _opened(data: StudyData, about: Material) -> list[Doubt]:
    if about.measure(WORKERS) is None:
        return []
    rows = history.dissections_of(data).rows
    found = []
    ranks = rows["rank"].drop_nulls()
    if ranks.is_empty():
        text = "The rank of the opened domatia is not written: were they near the tip, they may hold more workers."
        found.append(Doubt("no_rank", "note", text))
    elif int(np.max(ranks.to_numpy())) <= NEAR_TIP:
        text = (
            f"Only the {NEAR_TIP} domatia next to the tip were opened; those further down may hold other "
            f"numbers. Open some plants whole and give the quantity '{history.WORKER_SLOPE}'."
        )
        found.append(Doubt("near_tip", "warning", text))
    if history.WORKER_SLOPE not in about.calibrations and about.measure(DOMATIA) is not None:
        text = "Workers of a plant are reckoned from its domatia; no plants opened whole say how well that holds."
        found.append(Doubt("no_worker_slope", "note", text))
    if about.measure(DOMATIA) is not None:
        how = history.domatia_of_held_plants(data)["how"]
        guessed = int(how.is_in(["scaled", "allometric"]).sum())
        if guessed:
            text = f"At {share(guessed / len(how))} of the plants domatia were not counted but scaled or reckoned."
            found.append(Doubt("domatia_scaled", "note", text))
    text = "Workers on patrol and outside the domatia when these were opened are not counted."
    found.append(Doubt("workers_outside", "note", text))
    return found


def _blocks(about: Material) -> list[Doubt]:
    if about.clustered == "plant":
        text = "There are fewer than three blocks: intervals allow for plants only, and speak of this place alone."
        return [Doubt("few_blocks", "warning", text)]
    if about.clusters >= FEW_BLOCKS:
        return []
    text = (
        f"There are {about.clusters} blocks; intervals leave out one block at a time, with t quantiles for few blocks."
    )
    return [Doubt("few_blocks", "warning" if about.clusters < VERY_FEW_BLOCKS else "note", text)]
