"""What could mislead in the answer about cutting."""

from collections.abc import Sequence

import polars as pl

from domatia.histories.stumps import NEVER_SEEN, NOT_SAID
from domatia.model import Doubt, Effect, StudyData
from domatia.questions.resprout_numbers import NO_YEAR, Material
from domatia.questions.standing_doubts import FEW_BLOCKS, open_findings

MUCH = 0.1


def resprout_doubts(data: StudyData, about: Material, effects: Sequence[Effect]) -> tuple[Doubt, ...]:
    """Gather the doubts; the gravest first."""
    if not effects:
        return ()
    found = [*_not_seen(about), *_visits(about, effects)]
    text = (
        "Where crowns went was not drawn, as far as is recorded: places where a crown could be left may differ from "
        "others."
    )
    found.append(Doubt("not_drawn", "note", text))
    blank = about.plants.filter(pl.col("crown") == NOT_SAID).height
    if blank:
        found.append(Doubt("crown_blank", "note", f"Of {blank} stumps it is not recorded where the crown was put."))
    if about.clusters < FEW_BLOCKS:
        text = f"There are {about.clusters} blocks; intervals leave out one block at a time, with t quantiles."
        found.append(Doubt("few_blocks", "note", text))
    text = "A crown that is left may bring its ants back to the stump, or feed fire; follow the rules for cut wood."
    found.append(Doubt("crown", "note", text))
    order = {"error": 0, "warning": 1, "note": 2}
    return tuple(sorted([*found, *open_findings(data.findings)], key=lambda d: order[d.severity]))


def _not_seen(about: Material) -> list[Doubt]:
    never, blind = len(about.left_out.get(NEVER_SEEN, ())), len(about.left_out.get(NO_YEAR, ()))
    found = []
    if never:
        text = (
            f"{never} cut plants were never looked at again. If they were thought dead, cutting did more than it seems."
        )
        grade = never > MUCH * (never + about.plants.height)
        found.append(Doubt("never_seen_again", "warning" if grade else "note", text))
    if blind:
        were = "1 stump was" if blind == 1 else f"{blind} stumps were"
        text = f"{were} not looked at about a year after the cut and count in no share after a year."
        found.append(Doubt("no_look_at_a_year", "note", text))
    return found


def _visits(about: Material, effects: Sequence[Effect]) -> list[Doubt]:
    if not any(e.name == "visits_needed_constant_chance" for e in effects):
        return []
    most, number = (
        int(about.ends["number"].to_numpy().max()),
        next(e.estimate for e in effects if e.name == "visits_needed_constant_chance"),
    )
    found = []
    if number > most:
        text = (
            f"No stump was followed for so many visits (at most {most}): the number of visits needed rests on the "
            "chance a visit staying what it was. Stumps that survive many cuts may be the tougher ones."
        )
        found.append(Doubt("beyond_the_looks", "warning", text))
    return found
