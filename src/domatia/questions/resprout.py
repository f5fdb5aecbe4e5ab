"""What does cutting do?

What is measured
----------------
Plants that were cut (``intervention.kind``: cutting, crown left, crown carried away), the height of the stump
(``intervention.cut_height_cm``), the tool (``intervention.agent``), how far the crown was left
(``intervention.crown_distance_m``); at each later visit whether there is live tissue (``visit.status``: alive against
no live tissue or dead) and, where somebody looked, ants (``occupancy.stage``: patrolling workers or more).

Model
-----
After a year: the share of stumps with live tissue at the look nearest to a year after the first cut, and among live
stumps the share that ants hold, where the crown was left against where it was carried away; the odds of live tissue for
10 cm more of the stump (logistic regression). Crowns left: the chance that ants hold a live stump is a exp(-d / L) with
the crown at d metres; it halves every L log 2 metres (maximum likelihood). Visits: a stump counts as gone at the first
of two looks without live tissue at least 180 days apart, with none between or after that saw any; the share gone after
each visit (Kaplan-Meier over visits), and log(0.05) / log(1 - p) visits until 95 % are gone if the chance p a visit
stays what it was. Intervals leave out one block at a time.

When not to use it
------------------
When stumps that were not revisited are those that were thought dead. When stumps are visited but not cut again: visits
then count looks, not cuts.

Example
-------
>>> from domatia.questions.resprout import QUESTION
>>> QUESTION.asks
'What does cutting do?'

References
----------
Kaplan & Meier 1958, JASA 53:457-481 (share gone after each visit); Kott 2001, J. Off. Stat. 17:521-526 (leaving out one
group at a time); Nathan et al. 2012, Dispersal Ecology and Evolution, Oxford, pp. 187-210 (exponential decay with
distance).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.figures.curves import curves
from domatia.figures.style import Words
from domatia.histories.stumps import CUTS, LEFT
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData, WrongUse
from domatia.questions import resprout_numbers as numbers
from domatia.questions.resprout_doubts import resprout_doubts
from domatia.questions.wording import bounds, number, share

FIELDS = ("crown", "tool", "habitat")


@dataclass(frozen=True)
class Resprout:
    """What the resprout question found.

    Attributes
    ----------
    effects, tables, rows, too_little
        As `domatia.model.question.Found` says.
    about : Material
    """

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: numbers.Material


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Resprout:
    """Say what came back after cutting.

    Parameters
    ----------
    data : StudyData
    ask : Ask
        `by` may be "crown", "tool" or "habitat".
    rng : numpy Generator
        Not used: nothing here is random.

    Raises
    ------
    WrongUse
        If `by` is anything else, or covariates are asked for.
    """
    if ask.by and ask.by not in FIELDS:
        raise WrongUse(f"--by {ask.by}: cut plants are compared by another field", FIELDS, name=ask.by)
    if ask.adjust:
        raise WrongUse("--adjust: cut plants are not adjusted for covariates", next_step="Use --by FIELD.")
    about = numbers.gather(data, ask)
    found = [
        *numbers.returned(about),
        *numbers.by_height(about),
        *numbers.near_crown(about),
        *numbers.visits_needed(about),
    ]
    if not found:
        known = int(about.plants["live"].count()) if about.plants.height else 0
        why = (
            f"Too little to answer: {about.plants.height} cut plants were seen again, {known} of them about a year "
            f"later, in {about.clusters} blocks. At least {numbers.LEAST} of each kind, in three blocks, are needed."
        )
        return Resprout((), {}, about.rows_used(), why, about)
    effects = (replace(found[0], main=True), *found[1:])
    return Resprout(effects, {} if ask.only_effects else numbers.tables(about), about.rows_used(), "", about)


def doubts(data: StudyData, found: Resprout) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    return resprout_doubts(data, found.about, found.effects)


def figure(found: Resprout) -> Chart | None:
    """Draw the share of stumps without live tissue after each visit."""
    visits = found.tables.get("visits")
    if visits is None or visits.is_empty():
        return None
    table = visits.select(group=pl.lit("all stumps"), x="visit", y="share", low="low", high="high")
    start = table.head(1).with_columns(x=pl.lit(0, table["x"].dtype), y=pl.lit(0.0), low=pl.lit(0.0), high=pl.lit(0.0))
    words = Words(
        "Stumps without live tissue for good",
        "Share of stumps without live tissue at two looks half a year apart, by visits after the first cut, with a "
        "95 % band.",
        "Visits after the first cut",
        "Share of stumps",
    )
    return curves(pl.concat([start, table]), ["all stumps"], words)


def sentence(found: Resprout, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words, with intervals and the gravest doubt."""
    if found.too_little:
        return found.too_little
    parts = []
    first = {e.name: e for e in reversed(found.effects) if e.of != "10 cm more of the stump"}
    alive = [e for e in found.effects if e.name == "resprouting_share"]
    if alive:
        told = [f"{share(e.estimate)} of the stumps with the {e.of} ({bounds(e, share)})" for e in alive]
        parts.append(f"A year after cutting live tissue was seen on {' and on '.join(told)}, with 95 % intervals.")
    for name, what in (("resprouting_difference", "had live tissue"), ("reoccupied_difference", "were held by ants")):
        if name in first:
            parts.append(_compared(first[name], what))
    if "reoccupied_halving_distance" in first:
        e = first["reoccupied_halving_distance"]
        parts.append(
            f"The chance that ants hold a live stump halves with every {number(e.estimate)} m to its crown "
            f"(95 % interval {bounds(e)} m)."
        )
    if "visits_needed_constant_chance" in first:
        e = first["visits_needed_constant_chance"]
        parts.append(
            f"At the chance seen so far it takes {number(e.estimate)} visits (95 % interval {bounds(e)}) until "
            f"{100 * numbers.WANTED:.0f} % of the stumps have no live tissue."
        )
    grave = [d for d in why_doubt if d.severity != "note"]
    return " ".join(parts) + (f" But: {grave[0].text}" if grave else "")


def _compared(e: Effect, what: str) -> str:
    more = "more" if e.estimate > 0 else "fewer"
    low, high = sorted((100 * e.low, 100 * e.high))
    live = "live stumps" if e.where == numbers.LIVE_YEAR else "stumps"
    text = (
        f"{abs(100 * e.estimate):.0f} percentage points {more} {live} with the {e.of} than with the {e.against} {what}"
    )
    text += f" (95 % interval of the difference {low:.0f} to {high:.0f})"
    if e.low <= 0 <= e.high:
        text = f"no difference was shown: the best guess is that {text}"
    return text[:1].upper() + text[1:] + "."


def _has_cuts(data: StudyData) -> bool:
    return data.table("intervention").filter(pl.col("kind").is_in(CUTS) & pl.col("plant").is_not_null()).height > 0


def _has_looks(data: StudyData) -> bool:
    cut = data.table("intervention").filter(pl.col("kind").is_in(CUTS))["plant"].drop_nulls()
    return data.table("visit").filter(pl.col("plant").is_in(cut.implode())).height > 0


QUESTION = Question(
    code="resprout",
    asks="What does cutting do?",
    needs=(
        Need("interventions that cut plants, best with where the crown was put", _has_cuts),
        Need("visits to the cut plants after the cut", _has_looks),
    ),
    sources=(
        "Kaplan EL, Meier P 1958. Nonparametric estimation from incomplete observations. JASA 53:457-481.",
        "Kott PS 2001. The delete-a-group jackknife. J. Off. Stat. 17:521-526.",
        "Nathan R, Klein E, Robledo-Arnuncio JJ, Revilla E 2012. Dispersal kernels: review. In Dispersal Ecology and "
        "Evolution, Oxford University Press, pp. 187-210.",
    ),
    method=(
        "Stumps were compared at the look nearest to a year after the first cut: the share with live tissue, and "
        "among live stumps the share held by ants, by where the crown was put, and the odds of live tissue by the "
        "height of the stump. The chance of being held was let fall exponentially with the distance of the crown. A "
        "stump counts as gone at the first of two looks without live tissue at least 180 days apart; only looks "
        "followed by another so much later are judged. The share gone after each visit is the Kaplan-Meier estimate "
        "over visits. Intervals leave out one block at a time."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
    ignores=("pool",),
    by_fields=FIELDS,
)

__all__ = ["LEFT", "QUESTION", "Resprout"]
