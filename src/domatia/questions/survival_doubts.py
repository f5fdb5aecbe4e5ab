"""What could mislead about survival."""

from collections.abc import Mapping, Sequence

import polars as pl

from domatia.histories.groups import Groups
from domatia.model import Doubt, Effect, StudyData
from domatia.questions.standing_doubts import standing_doubts
from domatia.questions.survival_numbers import Material
from domatia.questions.wording import interval, number

LEAST_EVENTS = 20


def survival_doubts(
    data: StudyData,
    about: Material,
    tables: Mapping[str, pl.DataFrame],
    effects: Sequence[Effect],
    notes: Sequence[str],
) -> tuple[Doubt, ...]:
    """Gather the doubts about curves and hazard ratios."""
    found = [Doubt("fit", "warning", n) for n in notes]
    found += standing_doubts(data, about.groups, about.clusters)
    found += _deaths(about)
    if tables:
        found += _lost(tables["lost_plants"], effects)
        found += _dated(tables["dated_deaths"], about.groups, effects)
        found += _occupied(effects)
    return tuple(found)


def _deaths(about: Material) -> list[Doubt]:
    found = []
    per = about.table.group_by("value").agg(n=pl.col("right").count()).sort("value")
    few = per.filter(pl.col("n") < LEAST_EVENTS)
    if few.height:
        text = ", ".join(f"{n} in {g}" for g, n in few.iter_rows())
        found.append(Doubt("few_deaths", "warning", f"There were few deaths ({text}); the intervals are rough."))
    single = about.table["died_single"].sum()
    if single:
        text = f"{single} deaths rest on one visit that saw no live tissue; such plants may resprout."
        found.append(Doubt("single_sight", "note", text))
    if about.deaths.back:
        text = (
            f"{about.deaths.back} plants were recorded dead or without live tissue and seen alive later; that does not "
            "count as a death."
        )
        found.append(Doubt("back_from_the_dead", "note", text))
    if about.deaths.grain != "day":
        unit = {"year": "to the year; time is counted in whole years", "month": "to the month"}
        text = f"Visits are dated {unit.get(about.deaths.grain, 'more finely for some than for others')}."
        found.append(Doubt("coarse_dates", "note", text))
    return found


def _lost(lost: pl.DataFrame, effects: Sequence[Effect]) -> list[Doubt]:
    if lost.is_empty() or not effects:
        return []
    main = effects[0]
    own = lost.filter((pl.col("of") == main.of) & (pl.col("against") == main.against))
    died, lived = own["hazard_ratio"].to_list()
    text = (
        f"{own['lost_plants'][0]} plants were not found any more and never seen dead. Had they all died, the hazard "
        f"ratio of {main.of} against {main.against} would be {number(died)}; had they all lived on, {number(lived)}."
    )
    away = any(not main.low <= v <= main.high for v in (died, lived))
    return [Doubt("lost_plants", "warning" if away else "note", text)]


def _dated(dated: pl.DataFrame, groups: Groups, effects: Sequence[Effect]) -> list[Doubt]:
    main = effects[0]
    own = dated.filter((pl.col("of") == main.of) & (pl.col("against") == main.against))
    plain, clustered = (
        own.filter(pl.col("intervals") == "plants taken as independent"),
        own.filter(pl.col("intervals") == "clustered by block"),
    )
    ratio, low, high = (plain[c][0] for c in ("hazard_ratio", "low", "high"))
    text = (
        f"Dating each death by the visit that found it and taking plants as independent would give {number(ratio)} "
        f"({number(low)} to {number(high)}); allowing for blocks alone widens that to {number(clustered['low'][0])} to "
        f"{number(clustered['high'][0])}; bracketing the deaths as well gives {number(main.estimate)} "
        f"({interval(main)})."
    )
    return [Doubt("dated_deaths", "note", text)]


def _occupied(effects: Sequence[Effect]) -> list[Doubt]:
    if not any(e.name == "hazard_ratio_as_occupied" for e in effects):
        return []
    text = (
        "The ratio as occupied is no experiment: vigorous plants keep and attract colonies, so it can show a benefit "
        "that the ants did not cause."
    )
    return [Doubt("vigorous_plants", "note", text)]
