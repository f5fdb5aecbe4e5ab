"""What could mislead in the answer about flowers, fruits and seeds."""

from collections.abc import Mapping, Sequence

import polars as pl

from domatia.histories.looks import roles_of
from domatia.model import Doubt, Effect, StudyData
from domatia.questions.reproduction_numbers import LIVING, Material
from domatia.questions.standing_doubts import standing_doubts

MUCH_UNCOUNTED = 0.1


def reproduction_doubts(
    data: StudyData,
    about: Material,
    effects: Sequence[Effect],
    tables: Mapping[str, pl.DataFrame],
    notes: Sequence[str],
) -> tuple[Doubt, ...]:
    """Gather the doubts; the gravest first."""
    if not effects:
        return ()
    found = [
        *_counting(about),
        *_selected(effects),
        *_wide(effects),
        *_castrating(data, tables),
        *standing_doubts(data, about.groups, about.clusters),
    ]
    found += [Doubt("model", "note", f"Mixed model: {note}") for note in notes]
    order = {"error": 0, "warning": 1, "note": 2}
    return tuple(sorted(found, key=lambda d: order[d.severity]))


def _counting(about: Material) -> list[Doubt]:
    found = []
    states = dict(about.rows.group_by("state").len().iter_rows())
    known = states.get("counted", 0) + states.get("dead", 0)
    missed = states.get("not counted", 0) + states.get("unknown", 0)
    if missed:
        text = (
            f"{states.get('not counted', 0):,} living plants were not counted in a year in which others of their block "
            f"were, and of {states.get('unknown', 0):,} it is not known whether they lived; they were left out."
        )
        much = missed > MUCH_UNCOUNTED * (known + missed)
        found.append(Doubt("not_counted", "warning" if much else "note", text))
    if about.years.uncounted:
        text = f"In {about.years.uncounted} block-years nobody counted; they are missing, not nought."
        found.append(Doubt("years_not_counted", "note", text))
    if about.rows["log_size"].n_unique() < 3:
        text = "Sizes before the treatment are not known for most plants, so that they are not allowed for."
        found.append(Doubt("no_size", "note", text))
    if "flowers" in about.stages:
        text = "Buds that were lost before they opened were never counted."
        found.append(Doubt("lost_buds", "note", text))
    return found


def _selected(effects: Sequence[Effect]) -> list[Doubt]:
    if not any(e.where == LIVING for e in effects):
        return []
    text = (
        "Living plants and plants that flowered are what is left of each treatment: where treatments kill, or keep "
        "plants from flowering, they are no longer alike."
    )
    return [Doubt("survivors", "note", text)]


def _wide(effects: Sequence[Effect]) -> list[Doubt]:
    if not any(e.name.endswith("_difference") for e in effects):
        return []
    text = (
        "The interval of the difference in the share that flowers is wider than need be where ants do more in one "
        "habitat than in another (in simulated studies it held the truth 98 times in 100)."
    )
    return [Doubt("wide_interval", "note", text)]


def _castrating(data: StudyData, tables: Mapping[str, pl.DataFrame]) -> list[Doubt]:
    table = tables.get("by_occupant")
    if table is None or not table.height:
        return []
    found = [
        Doubt(
            "as_occupied",
            "note",
            "Means by the ants seen on a plant are no experiment: vigorous plants keep and attract colonies.",
        )
    ]
    names = sorted(a for a, role in roles_of(data).items() if role == "castrating or parasitic")
    there = [n for n in names if n in set(table["occupant"])]
    if there:
        text = f"{', '.join(there)} may destroy flowers: the effect of removal mixes what each ant does."
        found.append(Doubt("castrating", "note", text))
    return found
