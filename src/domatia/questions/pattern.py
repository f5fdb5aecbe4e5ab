"""How do colonies lie?

What is measured
----------------
Where each plant stands on its plot (``plant.x_m``, ``plant.y_m``, else ``plant.longitude``, ``plant.latitude``), the
plot's outline (``place.outline``, holes and all) and who lived on it at one moment: the last look
(``occupancy.looked``, ``occupancy.taxon``, ``occupancy.stage``) at or before the last day of the latest round that
reached most plots. Which moment is said. A colony that holds several plants (``colony_plant.colony``) is one point.

Model
-----
Random labelling: colonies stay where they are and their ants are exchanged within each plot, or within thirds of
light (``visit.openness_pct``) or height (``visit.height_cm``) in it, else light looks like neighbourhood. The share of
nearest neighbours with the same ant, and the pairs up to a distance, are divided by their exact expectation; a global
envelope (extreme rank length) tests the whole curve. L(r) - r of all colonies has the rigid-motion edge correction.
Distances from plants whose ants are taken off to the nearest colony on another plant are censored at the plot's edge
(Kaplan-Meier). Plots are the replicates: sums over plots are divided, intervals leave out one plot at a time.

When not to use it
------------------
When only plants with ants were mapped, or plants were chosen for their neighbours; when plots are strips narrower than
the distances asked for; with positions by hand-held receivers when neighbours stand a few metres apart.

Example
-------
>>> from domatia.questions.pattern import QUESTION
>>> QUESTION.asks
'How do colonies lie?'

References
----------
Ripley 1977, J. R. Stat. Soc. B 39:172-212; Ohser & Stoyan 1981, Biom. J. 23:523-533; Dixon 1994, Ecology 75:1940-1948;
Baddeley & Gill 1997, Ann. Stat. 25:263-292; Myllymaki et al. 2017, J. R. Stat. Soc. B 79:381-404; Diggle et al. 1991,
J. Am. Stat. Assoc. 86:618-625.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import polars as pl

from domatia.figures.bands import bands
from domatia.figures.style import Words
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import pattern_numbers as numbers
from domatia.questions.pattern_doubts import pattern_doubts
from domatia.questions.pattern_material import Material, gather
from domatia.questions.pattern_tables import tables
from domatia.questions.wording import bounds, interval, number, share

LEAST_COLONIES = 8


@dataclass(frozen=True)
class Pattern:
    """What the pattern question found; see `domatia.model.question.Found`."""

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: Material


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Pattern:
    """Compare neighbours and pairs with random labelling, and measure distances to colonies.

    Parameters
    ----------
    data : StudyData
    ask : Ask
    rng : numpy Generator
        For the random labellings behind the envelopes.
    """
    about = gather(data)
    rows = about.rows_used()
    points = about.colonies.in_company()
    if len(points.label) < LEAST_COLONIES or len(about.ants) < 2:
        why = (
            f"Too little to answer: {about.colonies.table.height} mapped colonies of {len(about.ants)} "
            f"ant{'' if len(about.ants) == 1 else 's'}, {len(points.label)} of them with another on the same plot. At "
            f"least {LEAST_COLONIES} of these and two ants are needed."
        )
        return Pattern((), {}, rows, why, about)
    found = numbers.effects(about)
    made = {} if ask.only_effects else tables(about, rng)
    return Pattern((replace(found[0], main=True), *found[1:]), made, rows, "", about)


def doubts(data: StudyData, found: Pattern) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    if found.too_little:
        return ()
    return pattern_doubts(data, found.about, found.effects, found.tables)


def figure(found: Pattern) -> Chart | None:
    """Draw pairs of the same ant beside those of exchanged ants, over the distance between them."""
    table = found.tables.get("same_ant_curve")
    if table is None or table.is_empty():
        return None
    shown = table.filter(pl.col("ants").is_in([numbers.WITHIN_PLOTS, numbers.WITHIN_BOTH]))
    words = Words(
        "Do colonies of one ant lie together?",
        "Pairs of colonies of the same ant up to each distance, divided by those expected if ants are exchanged, with "
        "the band that holds 95 % of all curves of exchanged ants.",
        "Distance between the two colonies up to (m)",
        "Pairs of the same ant, seen ÷ expected",
    )
    curve = shown.select(
        panel="Ants " + pl.col("ants"), x="r_m", y="ratio", low="global_low", high="global_high", group=pl.lit("seen")
    )
    return bands(curve, words, names=("seen", "exchanged ants (95 % of curves)"), level=1.0)


def sentence(found: Pattern, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words, with the moment, the interval and the gravest doubt."""
    if found.too_little:
        return found.too_little
    about, main = found.about, found.effects[0]
    when = date(1970, 1, 1) + timedelta(days=int(about.spots.day))
    place = f"round {about.spots.round}, up to " if about.spots.round else "up to "
    text = f"Among {found.rows.words} ({place}{when.isoformat()}), {_said(main, _shares(found.tables))}"
    fine = [e for e in found.effects if e.name == main.name and e.where in (numbers.WITHIN_LIGHT, numbers.WITHIN_SIZE)]
    if fine:
        parts = [f"{number(e.estimate)} ({bounds(e)}) {e.where.removeprefix('exchanged ')}" for e in fine]
        text += f" With ants exchanged among plants alike in light or size: {'; '.join(parts)}."
    for e in found.effects:
        if e.name == "near_untreated_colony":
            text += (
                f" {share(e.estimate)} ({bounds(e, share)}) of {e.of} plants had, {e.where}, a colony on a plant that "
                "kept its ants."
            )
    grave = [d for d in why_doubt if d.severity != "note"]
    return text + (f" But: {grave[0].text}" if grave else "")


def _shares(tables: Mapping[str, pl.DataFrame]) -> str:
    """Give the shares behind the main ratio."""
    if "neighbours" not in tables:
        return ""
    table = tables["neighbours"]
    own = table.filter(pl.col("ant") == pl.col("nearest_neighbour"))
    seen, chance = (float(own[c].sum()) / float(table[c].sum()) for c in ("seen", "expected"))
    return f"{share(seen)} of them against {share(chance)}; "


def _said(main: Effect, shares: str) -> str:
    what = (
        f"nearest neighbours had the same ant {number(main.estimate)} times as often ({shares}{interval(main)}) as "
        "they would if the ants of each plot were exchanged among its colonies."
    )
    if main.low > 1 or main.high < 1:
        return what
    return f"no clumping or avoidance of the same ant was shown; the best guess is that {what}"


def _is_mapped(data: StudyData) -> bool:
    plants = data.table("plant")
    flat = pl.col("x_m").is_not_null() & pl.col("y_m").is_not_null()
    globe = pl.col("longitude").is_not_null() & pl.col("latitude").is_not_null()
    return plants.filter((flat | globe) & pl.col("place").is_not_null()).height > 1


def _names_ants(data: StudyData) -> bool:
    return data.table("occupancy").filter(pl.col("looked") & pl.col("taxon").is_not_null()).height > 0


QUESTION = Question(
    code="pattern",
    asks="How do colonies lie?",
    needs=(
        Need("plants mapped on their plots (x_m and y_m, or longitude and latitude)", _is_mapped),
        Need("looks that named the ant on a plant", _names_ants),
    ),
    sources=(
        "Ripley BD 1977. Modelling spatial patterns. J. R. Stat. Soc. B 39:172-212.",
        "Ohser J, Stoyan D 1981. On the second-order and orientation analysis of planar stationary point processes. "
        "Biom. J. 23:523-533.",
        "Dixon P 1994. Testing spatial segregation using a nearest-neighbor contingency table. Ecology 75:1940-1948.",
        "Baddeley A, Gill RD 1997. Kaplan-Meier estimators of distance distributions for spatial point processes. "
        "Ann. Stat. 25:263-292.",
        "Myllymaki M et al. 2017. Global envelope tests for spatial processes. J. R. Stat. Soc. B 79:381-404.",
        "Diggle PJ, Lange N, Benes FM 1991. Analysis of variance for replicated spatial point patterns in clinical "
        "neuroanatomy. J. Am. Stat. Assoc. 86:618-625.",
    ),
    method=(
        "Colonies were mapped at one moment. The shares of nearest neighbours and of pairs up to a distance that had "
        "the same ant were divided by their exact expectation under random labelling within plots, and within classes "
        "of light and height in each plot; global envelopes by extreme rank length used up to 999 random labellings. "
        "Ripley's L used the rigid-motion edge correction in each plot's outline. The share of plants under removal "
        "with an untreated colony near was estimated by Kaplan-Meier with distances censored at the edge of the plot. "
        "Plots were pooled as ratios of sums, with intervals from leaving out one plot at a time and t quantiles."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
    ignores=("by", "adjust", "pool"),
)
