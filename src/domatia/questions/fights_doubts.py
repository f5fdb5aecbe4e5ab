"""What could mislead about fights."""

import numpy as np
import polars as pl

from domatia.histories import fights as history
from domatia.model import Doubt, StudyData
from domatia.questions.fights_numbers import HOME, RATIO, Material, Part, between
from domatia.questions.standing_doubts import open_findings
from domatia.stats.dyadic import FEW_UNITS

FEW_FIGHTS = 30
FEW_A_PAIR = 5
_UNEVEN = 1.5
_FIGHTS_A_NUMBER = 20
"""Below this the slope was 30 to 50 % too steep in simulations of 6 blocks, above it 4 to 8 %."""


def fights_doubts(data: StudyData, about: Material, unused: tuple[str, ...]) -> tuple[Doubt, ...]:
    """Gather the doubts about outcomes, the law and the ranks."""
    found: list[Doubt] = []
    if unused:
        text = f"This question compares no groups and allows for no fields: {' and '.join(unused)} had no effect."
        found.append(Doubt("not_used", "warning", text))
    for part in about.parts:
        found += _numbers(part)
        found += _bounds(part)
        found += _outcomes(part)
        found += _law(part)
        found += _carried(part)
        found += _ranks(part, about.reference)
    found += _always(about)
    undecided = data.undecided.get("fight")
    if undecided is not None and undecided.height:
        text = f"{undecided.height} records of fights have two values that nobody has decided between."
        found.append(Doubt("undecided", "warning", text))
    return (*found, *open_findings(data.findings))


def _numbers(part: Part) -> list[Doubt]:
    table = part.table
    both = pl.concat([table["colony_a"], table["colony_b"]])
    count, most = both.n_unique(), int(np.asarray(both.value_counts(name="n")["n"].max()))
    found = []
    if table.height < FEW_FIGHTS or count < FEW_UNITS:
        text = f"There are few {part.kind} ({table.height} of {count} colonies); the intervals are rough."
        found.append(Doubt("few_fights", "warning", text))
    if most > 1:
        text = (
            f"In the {part.kind} {table.height} fights are of {count} colonies, one of which fought {most} times; "
            "intervals take fights that share a colony as dependent."
        )
        found.append(Doubt("colonies_again", "note", text))
    return found


def _bounds(part: Part) -> list[Doubt]:
    found = []
    if part.curve is not None:
        rows = part.table.filter(history.counted() & history.decided()).height
        if rows < _FIGHTS_A_NUMBER * len(part.curve_design.names):
            text = (
                f"In the {part.kind} {rows} decided fights tell {len(part.curve_design.names)} numbers: with so few "
                "the curve comes out somewhat too steep, and the ratio of workers needed too small."
            )
            found.append(Doubt("steep", "note", text))
        for j in part.curve.held:
            name = part.curve_design.names[j]
            won = {RATIO: "the larger side", HOME: "the side at home"}.get(name, name)
            text = (
                f"In the {part.kind} {won} always won or always lost, other things equal: the fights give a limit on "
                "one side only, and the estimate is held by a weak prior."
            )
            found.append(Doubt("always_won", "warning", text))
    if part.ranks is not None and part.ranks.held:
        names = " and ".join(part.ants[i] for i in part.ranks.held if i < len(part.ants))
        text = f"In the {part.kind} {names or 'one ant'} won or lost every fight with others; its rank has one limit."
        found.append(Doubt("always_won", "warning", text))
    return found


def _outcomes(part: Part) -> list[Doubt]:
    table = part.table
    found = []
    stopped = table.filter(pl.col("outcome") == history.STOPPED)
    if stopped.height:
        named = stopped["winner"].is_in(["a", "b"]).sum()
        more = f" ({named} of them name a winner all the same)" if named else ""
        text = (
            f"{stopped.height} {part.kind} were stopped by the clock or disturbed{more}: their dead count for the law, "
            "but who would have won is not known."
        )
        found.append(Doubt("stopped", "note", text))
    open_end = table.filter((pl.col("outcome") == history.DRAWN) & pl.col("ended").is_null()).height
    if open_end:
        text = (
            f"{open_end} {part.kind} have no winner and do not say why they ended; they count as drawn. If the clock "
            "stopped them, say so."
        )
        found.append(Doubt("end_not_said", "note", text))
    if part.kind == history.NOT_SAID:
        text = "Of some fights it is not said whether they were staged or natural; they stand apart."
        found.append(Doubt("staged_not_said", "warning", text))
    if part.kind == history.NATURAL and part.curve is not None:
        text = (
            "Natural fights are those that somebody met: long ones between large colonies are met more often, and "
            "workers were counted by eye. No colony was given its size by a draw."
        )
        found.append(Doubt("met_by_chance", "note", text))
    return found


def _law(part: Part) -> list[Doubt]:
    if part.law is None:
        return [Doubt("no_law", "note", f"No attrition law for the {part.kind}: {part.why['attrition']}.")]
    found = []
    rows = part.table.filter(history.dead_counted())
    fled = rows.filter(pl.col("ended") == "one side fled").height
    if fled:
        text = (
            f"In {fled} {part.kind} a side fled. The law takes the moment as given by how many had died in all; if "
            "sides flee from their own losses alone, the exponent is somewhat off."
        )
        found.append(Doubt("fled", "note", text))
    doubt = part.law.uncertainty
    ratio = np.sqrt(doubt.covariance[0, 0] / max(doubt.model_covariance[0, 0], 1e-300))
    if ratio > _UNEVEN:
        text = (
            f"Losses in the {part.kind} scatter more than the law allows (the exponent's standard error is "
            f"{ratio:.1f} times that of independent deaths): fights differ in things that were not recorded."
        )
        found.append(Doubt("uneven", "note", text))
    return found


def _carried(part: Part) -> list[Doubt]:
    if part.kind != history.STAGED:
        return []
    blank = part.table.filter(~pl.col("carried_told")).height
    found = []
    if blank:
        text = (
            f"Of {blank} staged fights it is not said which side was carried to the other; they count as on neutral "
            "ground."
        )
        found.append(Doubt("carried_not_said", "note", text))
    moved = part.table.filter(pl.col("home") != 0).height
    fitted = part.curve is not None and HOME in part.curve_design.names
    if moved and not fitted:
        text = f"In {moved} staged fights one side was carried to the other; too few to tell what being at home does."
        found.append(Doubt("home", "note", text))
    return found


def _ranks(part: Part, reference: str) -> list[Doubt]:
    rows = between(part.table)
    if part.ranks is None:
        return []
    found = []
    few = (
        rows.select(one=pl.min_horizontal("ant_a", "ant_b"), other=pl.max_horizontal("ant_a", "ant_b"))
        .group_by("one", "other")
        .len()
        .filter(pl.col("len") < FEW_A_PAIR)
        .sort("one", "other")
    )
    names = set(part.ants)
    possible = len(names) * (len(names) - 1) // 2
    met = (
        rows.select(one=pl.min_horizontal("ant_a", "ant_b"), other=pl.max_horizontal("ant_a", "ant_b"))
        .unique()
        .filter(pl.col("one").is_in(sorted(names)) & pl.col("other").is_in(sorted(names)))
        .height
    )
    if few.height or met < possible:
        pair = f"; {few['one'][0]} and {few['other'][0]} met {few['len'][0]} times" if few.height else ""
        text = (
            f"In the {part.kind} {met} of {possible} pairs of ants met, {few.height} of them fewer than {FEW_A_PAIR} "
            f"times{pair}: ranks between them lean on third ants."
        )
        found.append(Doubt("few_a_pair", "note", text))
    strangers = sorted(set(pl.concat([rows["ant_a"], rows["ant_b"]])) - names)
    if strangers:
        text = (
            f"{' and '.join(strangers)} never met {reference}, not even by way of others, and have no rank beside it."
        )
        found.append(Doubt("never_met", "warning", text))
    return found


def _always(about: Material) -> list[Doubt]:
    found = []
    if any(p.curve is not None and RATIO in p.curve_design.names for p in about.parts):
        text = (
            "The slope of winning on the ratio of workers is not the attrition exponent: under the linear law it grows "
            "with the size of the groups. The exponent comes from the dead."
        )
        found.append(Doubt("slope_is_no_law", "note", text))
    if any(p.ranks is not None for p in about.parts):
        text = (
            "Ranks are of colonies as they met, whatever their size; at equal numbers an ant may stand elsewhere (see "
            "the odds ratios of winning)."
        )
        found.append(Doubt("as_met", "note", text))
    return found
