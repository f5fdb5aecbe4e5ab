"""What could mislead about the pattern of colonies."""

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from domatia.histories.positions import NOT_MAPPED, OTHER_SYSTEM, SAME_COLONY, SAME_SPOT
from domatia.model import Doubt, Effect, StudyData
from domatia.questions import pattern_numbers as numbers
from domatia.questions.pattern_material import NO_WINDOW, OUTSIDE, Material
from domatia.questions.standing_doubts import FEW_BLOCKS, open_findings
from domatia.questions.wording import share

FEW_COLONIES = 30
_OLD_DAYS = 30.0
_MANY_OLD = 0.10
_MANY = 0.05
_ROUGH = 0.25


def pattern_doubts(
    data: StudyData, about: Material, effects: Sequence[Effect], tables: Mapping[str, pl.DataFrame]
) -> tuple[Doubt, ...]:
    """Gather the doubts about windows, positions, looks, intervals and what a pattern can say."""
    found = [*_windows(about), *_positions(about), *_looks(about), *_intervals(about)]
    if effects:
        found += _what_it_says(about, effects, tables)
    undecided = sum(t.height for t in data.undecided.values())
    if undecided:
        text = f"{undecided} records have two values that nobody has decided between; they were left out."
        found.append(Doubt("undecided", "warning", text))
    return tuple(found + open_findings(data.findings))


def _windows(about: Material) -> list[Doubt]:
    if not about.guessed:
        return []
    names = ", ".join(about.guessed[:4]) + (f" and {len(about.guessed) - 4} more" if len(about.guessed) > 4 else "")
    text = (
        f"No usable outline is written down for {names}: the hull of its plants, blown up a little, stands for it. "
        "What lies near the edge, L and distances to colonies depend on that guess; neighbours and pairs do not."
    )
    return [Doubt("guessed_outline", "warning", text)]


def _positions(about: Material) -> list[Doubt]:
    found = []
    out = about.left_out
    unmapped = sum(len(out.get(k, ())) for k in (NOT_MAPPED, OTHER_SYSTEM, OUTSIDE, NO_WINDOW))
    everybody = unmapped + about.table.height
    if unmapped:
        text = (
            f"Plants that could not be placed in a plot: {unmapped} (not mapped, or outside its outline). Whose "
            "neighbours they were is not known."
        )
        found.append(Doubt("unmapped", "warning" if unmapped > _MANY * everybody else "note", text))
    for why, code, what in (
        (SAME_SPOT, "same_spot", "stand on the spot of another (resprouts or the same coordinates)"),
        (SAME_COLONY, "same_colony", "belong to a colony that is counted on another of its plants"),
    ):
        if out.get(why):
            text = f"Plants that {what} were left out ({len(out[why])}), else they would be neighbours of themselves."
            found.append(Doubt(code, "note", text))
    blur = about.table["uncertainty_m"].drop_nulls()
    if len(blur) and float(np.asarray(blur.median())) > about.radius / 4.0:
        text = (
            f"Positions are known to {float(np.asarray(blur.median())):g} m only (median), which blurs everything "
            "below twice that distance."
        )
        found.append(Doubt("blurred", "warning", text))
    return found


def _looks(about: Material) -> list[Doubt]:
    """Compare each look with the last one on the same plot, and the plots with one another."""
    seen = about.colonies.table.select("seen", last=pl.col("seen").max().over("code"))
    found = []
    old = seen.filter(pl.col("seen") < pl.col("last") - _OLD_DAYS).height
    if old:
        text = (
            f"{old} of {seen.height:,} colonies were last seen more than {_OLD_DAYS:.0f} days before the last look on "
            "their plot; other ants may live there by then."
        )
        found.append(Doubt("old_looks", "warning" if old > _MANY_OLD * seen.height else "note", text))
    apart = float(np.ptp(seen["last"].to_numpy())) if seen.height else 0.0
    if apart > _OLD_DAYS:
        text = f"Plots were looked at up to {apart:.0f} days apart; each is shown as it was at its own last look."
        found.append(Doubt("plots_apart", "note", text))
    return found


def _intervals(about: Material) -> list[Doubt]:
    if about.by_parts:
        plots = about.table["code"].n_unique()
        text = (
            f"There {'is one plot' if plots == 1 else f'are {plots} plots'} only: ninths of a plot stand for plots in "
            "the intervals, as if they were independent. They say nothing about other plots."
        )
        return [Doubt("few_plots", "warning", text)]
    if about.clusters < FEW_BLOCKS:
        text = f"There are {about.clusters} plots or blocks; intervals leave out one at a time and use t quantiles."
        return [Doubt("few_blocks", "note", text)]
    return []


def _what_it_says(about: Material, effects: Sequence[Effect], tables: Mapping[str, pl.DataFrame]) -> list[Doubt]:
    found = []
    known = numbers.schemes(about)
    if numbers.WITHIN_LIGHT not in known or numbers.WITHIN_SIZE not in known:
        text = (
            "Light or height is not known for most plants, so that ants which like the same light or size may look "
            "like neighbours that keep to each other."
        )
        found.append(Doubt("no_light", "warning", text))
    rare = [e.of for e in effects if e.name == "same_ant_neighbour_ratio" and (e.standard_error or 0.0) > _ROUGH]
    if rare:
        text = (
            f"Of {', '.join(rare)} few neighbours of the same ant are expected; such a ratio is rough, and ants with "
            "fewer than five expected have none."
        )
        found.append(Doubt("few_expected", "note", text))
    if about.colonies.table.height < FEW_COLONIES:
        text = f"There are {about.colonies.table.height} colonies only; the intervals are rough."
        found.append(Doubt("few_colonies", "warning", text))
    removed = about.table.filter(pl.col("role") == "removal").height
    if removed:
        text = (
            f"Ants were taken off {share(removed / about.table.height)} of the living plants: part of the pattern is "
            "the crew's doing. It is that of the colonies there were, not of a stand left alone."
        )
        found.append(Doubt("removals", "note", text))
    if any(e.name == "l_minus_r" for e in effects):
        text = (
            "L compares colonies with points that fall anywhere alike; it says as much about where plants stand as "
            "about ants. Colonies among living plants are compared by the held pairs."
        )
        found.append(Doubt("plants_not_ants", "note", text))
    if tables:
        text = (
            "Bands in the figure are global: a curve of exchanged ants stays inside them altogether 95 times in 100. "
            "The pointwise limits in the table are narrower and no test."
        )
        found.append(Doubt("pointwise", "note", text))
    text = (
        "A pattern at one moment does not say how it came about: daughters nearby, neighbours driven off, or soil and "
        "shade that nobody measured look alike."
    )
    return [*found, Doubt("one_moment", "note", text)]
