"""What could mislead about those who live on the plants beside the ants."""

from collections.abc import Sequence

import polars as pl

from domatia.histories.associates import NEW
from domatia.model import Doubt, Effect, StudyData
from domatia.questions.associates_numbers import LEAST_BLOCKS, LEAST_LOOKS, Material
from domatia.questions.standing_doubts import open_findings, standing_doubts

RARE = 20


def associates_doubts(
    data: StudyData, about: Material, effects: Sequence[Effect], unused: tuple[str, ...]
) -> tuple[Doubt, ...]:
    """Gather the doubts."""
    found = []
    if unused:
        text = f"This question allows for no covariates: {' and '.join(unused)} had no effect."
        found.append(Doubt("not_used", "warning", text))
    if not effects:
        return (*found, *open_findings(data.findings))
    if about.groups is not None and any(not e.name.endswith("as_occupied") for e in effects if e.against):
        found += standing_doubts(data, about.groups, about.clusters)
    else:
        found += open_findings(data.findings)
    found += [*_nests(about), *_rare(about, effects)]
    if not about.blocks_known:
        text = "Plants stand in no blocks: neighbours were taken as independent, so intervals may be too narrow."
        found.append(Doubt("no_blocks", "warning", text))
    if any(e.name.endswith("as_occupied") for e in effects):
        text = (
            "Comparisons as occupied are no experiment: ants and associates may choose the same plants, and vigorous "
            "plants keep both."
        )
        found.append(Doubt("as_occupied", "note", text))
    if len(effects) > 10:
        text = f"{len(effects)} numbers are given; by chance alone one interval in twenty misses."
        found.append(Doubt("many_numbers", "note", text))
    return tuple(found)


def _nests(about: Material) -> list[Doubt]:
    found = []
    new = about.told["where"] == NEW
    if new.any():
        text = (
            "Nests outlive colonies: they were counted where none was in use at the look before, with the ant known "
            "then; what came between two looks is not seen."
        )
        found.append(Doubt("nests_outlive", "note", text))
    one_look = [k for k in about.kinds if "nest" in k and not (new & (about.told["kind"] == k)).any()]
    if one_look:
        text = (
            f"Plants were looked at once only for {' and '.join(one_look)}: a nest may be older than the colony that "
            "holds the plant now."
        )
        found.append(Doubt("nests_of_unknown_age", "warning", text))
    old = int(about.seen.rows["old"].sum())
    if old:
        found.append(Doubt("old_ones", "note", f"{old} old or abandoned ones were seen and count as not in use."))
    return found


def _rare(about: Material, effects: Sequence[Effect]) -> list[Doubt]:
    found = []
    counts = about.told.group_by("kind").agg(n=pl.col("y").sum()).sort("kind")
    rare = [(k, n) for k, n in counts.iter_rows() if n < RARE]
    if rare:
        told = ", ".join(f"{k} ({n})" for k, n in rare)
        text = f"Seldom found: {told}. Exact intervals hold, but they are wide."
        found.append(Doubt("rare", "warning", text))
    shares = {(e.of, e.where) for e in effects if e.name == "share_difference_as_occupied"}
    alone = [e for e in effects if e.name == "odds_ratio_exact_as_occupied" and (e.of, e.where) not in shares]
    if alone:
        told = "; ".join(f"{e.where.split(',')[0]} with {e.of}" for e in alone)
        text = (
            f"For {told} no difference of shares is given (fewer than {LEAST_LOOKS} looks, or fewer than "
            f"{LEAST_BLOCKS} blocks with looks at both); the exact odds ratio takes each plant once."
        )
        found.append(Doubt("exact_only", "note", text))
    return found
