"""What could mislead about light."""

from collections.abc import Sequence

import polars as pl

from domatia.histories.looks import VACANT
from domatia.histories.openness import LEAST_BOTH, named
from domatia.model import Doubt, Effect, StudyData
from domatia.model.dates import DAYS_A_YEAR
from domatia.questions.light_numbers import Material
from domatia.questions.standing_doubts import FEW_BLOCKS, VERY_FEW_BLOCKS, open_findings
from domatia.questions.wording import number, share

MUCH_POINTS = 5.0


def light_doubts(
    data: StudyData, about: Material, effects: Sequence[Effect], unused: tuple[str, ...]
) -> tuple[Doubt, ...]:
    """Gather the doubts."""
    found = []
    if unused:
        text = f"This question compares no groups and allows for no fields: {' and '.join(unused)} had no effect."
        found.append(Doubt("not_used", "warning", text))
    found += _methods(about)
    if effects:
        found += [*_blocks(about), *_occupants(about), *_changed(about), *_edges(about, effects)]
        text = (
            "Ants were not dealt to light by a draw: what goes with openness (soil, neighbours, the age of the plants) "
            "may be the cause."
        )
        found.append(Doubt("not_drawn", "note", text))
    return (*found, *open_findings(data.findings))


def _methods(about: Material) -> list[Doubt]:
    light = about.seen.light
    found = []
    if light.refused:
        names = ", ".join(named(m) for m in light.refused)
        number_left = sum(light.readings[m] for m in light.refused)
        text = (
            f"Openness was read by more than one method. Only readings by {named(light.method)} were used; "
            f"{number_left} by {names} were left out, since fewer than {LEAST_BOTH} plants were measured by both (or "
            "the readings did not go together), and methods disagree."
        )
        found.append(Doubt("methods", "warning", text))
    for c in light.calibrations:
        text = (
            f"Readings by {named(c.method)} were turned into those by {named(light.method)} by a line through "
            f"{c.plants} plants measured by both ({number(c.intercept)} + {number(c.slope)} times the reading, points "
            f"{number(c.spread)} about it); the doubt of that line is not in the intervals."
        )
        found.append(Doubt("calibrated", "note", text))
    if light.readings and not light.method:
        found.append(Doubt("method_unknown", "note", "How openness was read is not written down."))
    return found


def _blocks(about: Material) -> list[Doubt]:
    if not about.blocks_known:
        text = "Plants stand in no blocks: neighbours were taken as independent, so intervals may be too narrow."
        return [Doubt("no_blocks", "warning", text)]
    if about.clusters >= FEW_BLOCKS:
        return []
    text = (
        f"There are {about.clusters} blocks; intervals are clustered by block, with a correction and t quantiles for "
        "few blocks."
    )
    return [Doubt("few_blocks", "warning" if about.clusters < VERY_FEW_BLOCKS else "note", text)]


def _occupants(about: Material) -> list[Doubt]:
    found = []
    if VACANT not in about.kinds:
        text = f"Hardly any plant was vacant, so odds are against plants held by {about.kinds[0]}."
        found.append(Doubt("none_vacant", "note", text))
    if about.lumped:
        text = f"Seen too rarely to have curves of their own, and taken together: {', '.join(about.lumped)}."
        found.append(Doubt("lumped", "note", text))
    few = [n for k, n in enumerate(about.kinds) if (about.kind == k).sum() < 40]
    if few:
        text = f"Few plants were held by some ({', '.join(few)}): curves were made stiffer and are rough."
        found.append(Doubt("few_plants", "warning", text))
    return found


def _changed(about: Material) -> list[Doubt]:
    found = []
    away = about.plants.filter(pl.col("apart") > 31).height
    if away:
        text = (
            f"For {share(away / about.plants.height)} of the plants openness was read more than a month before or "
            "after the look at the ants."
        )
        found.append(Doubt("light_later", "note", text))
    read = about.seen.light.table.join(about.plants.select("plant"), on="plant", how="semi")
    each = read.sort("t").group_by("plant").agg(
        years=(pl.col("t").last() - pl.col("t").first()) / DAYS_A_YEAR,
        change=pl.col("openness").last() - pl.col("openness").first(),
    ).filter(pl.col("years") >= 1)  # fmt: skip
    if each.height >= LEAST_BOTH:
        much = float(each.select((pl.col("change").abs() > MUCH_POINTS).mean()).item())
        mean = float(each.select(pl.col("change").mean()).item())
        text = (
            f"Light changes: on {each.height} plants read again a year or more later openness had changed by "
            f"{number(mean) if abs(mean) >= 0.05 else '0'} points on average, on {share(much)} of them by more than "
            f"{MUCH_POINTS:g}. Each plant counts with its light at its own look."
        )
        found.append(Doubt("light_changes", "warning" if much > 0.2 else "note", text))
    return found


def _edges(about: Material, effects: Sequence[Effect]) -> list[Doubt]:
    reached = {e.of for e in effects if e.name == "light_optimum"}
    without = [n for n in about.kinds if n not in reached]
    found = []
    if without:
        text = (
            f"No optimum was reached between {about.span[0]:g} and {about.span[1]:g} % openness by "
            f"{', '.join(without)}: their share is highest at an end of that range, and may rise beyond it."
        )
        found.append(Doubt("optimum_not_reached", "note", text))
    return found
