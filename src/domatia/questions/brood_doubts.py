"""What could mislead about broods."""

import numpy as np
import polars as pl

from domatia.histories import broods as history
from domatia.model import Doubt, StudyData
from domatia.questions.brood_numbers import AS_OCCUPIED, Material, best_of
from domatia.questions.standing_doubts import FEW_BLOCKS, VERY_FEW_BLOCKS, open_findings, standing_doubts
from domatia.questions.wording import number, share
from domatia.stats.families import LARGEST_LOG_PRECISION

FEW_BROODS = 60
_RISES = 2.0


def brood_doubts(data: StudyData, about: Material, unused: tuple[str, ...]) -> tuple[Doubt, ...]:
    """Gather the doubts about crowding, matching and eggs."""
    table = about.broods.table
    blocks = table["cluster"].n_unique()
    found: list[Doubt] = []
    if unused:
        text = f"This question allows for no fields: {' and '.join(unused)} had no effect."
        found.append(Doubt("not_used", "warning", text))
    if about.groups is not None:
        found += standing_doubts(data, about.groups, blocks)
    else:
        if blocks < FEW_BLOCKS:
            text = f"There are {blocks} blocks; intervals are clustered by block, with a correction for few blocks."
            found.append(Doubt("few_blocks", "note" if blocks >= VERY_FEW_BLOCKS else "warning", text))
        found += open_findings(data.findings)
    found += _records(about)
    found += _crowding(about)
    found += _eggs(about)
    return tuple(found)


def _records(about: Material) -> list[Doubt]:
    table = about.broods.table
    found = []
    other = len(about.broods.left_out.get(history.OTHER_ENEMY, ()))
    if other:
        text = f"The answer is about {about.broods.enemy}; {other} broods of other enemies were left out."
        found.append(Doubt("other_enemies", "note", text))
    counted = table.filter(pl.col("eggs").is_not_null())
    if counted.height and not counted.filter(pl.col("eggs") == 0).height:
        text = (
            "No plant without eggs is recorded. Plants that were looked at in vain are data: without them nothing can "
            "be said of where eggs are laid, only of how many."
        )
        found.append(Doubt("no_zeros", "warning", text))
    blank = table.height - counted.height
    if counted.height and blank:
        text = f"For {blank} broods nobody counted eggs; a blank is no nought, and they say nothing about laying."
        found.append(Doubt("eggs_not_counted", "note", text))
    again = table.height - table["plant"].n_unique()
    if again:
        text = f"{again} records are of plants looked at before; a block's records are taken as alike."
        found.append(Doubt("plants_again", "note", text))
    no_area = table.filter((pl.col("larvae") > 0) & pl.col("area").is_null()).height
    if no_area:
        text = f"{no_area} broods have no leaf area and say nothing about crowding."
        found.append(Doubt("no_area", "note", text))
    for part, why in about.why.items():
        what = {"crowding": "crowding", "match": "whether broods match leaf area", "eggs": "eggs with and without ants"}
        found.append(Doubt("not_estimated", "note", f"Nothing is said of {what[part]}: {why}."))
    return found


def _crowding(about: Material) -> list[Doubt]:
    c = about.crowded
    if c is None:
        return []
    found = []
    if c.table.height < FEW_BROODS:
        text = f"Crowding rests on {c.table.height} broods; the exponent is rough."
        found.append(Doubt("few_broods", "warning", text))
    if not c.shown:
        text = (
            "No crowding was shown: survival that does not depend on density fits as well. The exponent cannot be told."
        )
        found.append(Doubt("no_crowding", "note", text))
    if c.score > _RISES:
        text = (
            "Survival rises with the density of larvae. The family of curves can only fall; larvae may help each "
            "other, or the enemy lays more where its larvae do well."
        )
        found.append(Doubt("rising", "warning", text))
    if c.shown and np.isinf(c.ends[1]):
        text = "The exponent has no upper end: total failure past capacity cannot be ruled out."
        found.append(Doubt("no_upper_end", "note", text))
    if c.shown and 0 not in c.fit.free:
        text = "No brood was sparse enough to tell survival without crowding; it ran to its limit."
        found.append(Doubt("never_sparse", "warning", text))
    most = float(np.asarray(c.table["density"].max()))
    best = best_of(c)
    if best is not None and best[0] > most:
        text = (
            f"The best density ({number(best[0])} larvae for each 100 cm²) lies beyond the densest brood seen "
            f"({number(most)}): it was not reached."
        )
        found.append(Doubt("best_not_reached", "warning", text))
    if c.shown and c.fit.theta[2] <= 0.0:
        text = "With an exponent of 1 or less survivors never fall as broods grow: no brood size does best."
        found.append(Doubt("no_best", "note", text))
    if c.fit.theta[3] < LARGEST_LOG_PRECISION - 3.0:
        spread = 1.0 / (1.0 + float(np.exp(c.fit.theta[3])))
        text = (
            f"Survival differs between broods of one density beyond chance (correlation within broods "
            f"{number(spread)}); broods were not given their density by a draw, and good plants may get large broods."
        )
        found.append(Doubt("broods_differ", "note", text))
    return found


def _eggs(about: Material) -> list[Doubt]:
    found = []
    own = [e for e in about.eggs if e.where == AS_OCCUPIED]
    if own:
        table = about.broods.table
        unknown = table.filter(pl.col("ants") == history.NOT_KNOWN).height
        text = (
            "The ratios as occupied are no experiment: vigorous plants keep colonies and draw enemies, and the enemy "
            "may choose by other things."
        )
        if unknown:
            text += f" On {unknown} plants the ants were not known or only founding; they stand apart."
        found.append(Doubt("vigorous_plants", "note", text))
    for e in about.eggs:
        held = [m for m in (e.every, e.chance) if m is not None and 1 in m.held]
        if held:
            text = f"{e.where.capitalize()}, no eggs at all (or everywhere) on one side: the ratio has one limit only."
            found.append(Doubt("always_or_never", "warning", text))
        if e.laid < e.plants / 20:
            text = f"{e.where.capitalize()}, only {share(e.laid / e.plants)} of plants bore eggs; the ratios are rough."
            found.append(Doubt("few_eggs", "note", text))
    return found
