"""Who else profits?

What is measured
----------------
Bird nests, wasp nests, scale insects and parasite ants on the plants (``associate.kind``, ``associate.state``). A kind
was looked for where a record says that it was there or, with ``associate.present`` = no, that it was not; where only
sightings were written down nothing can be said of the plants without one. Old and abandoned ones (``associate.state``)
are not in use. Who held the plant, and at which stage of the colony, is what was seen at or before the look
(``occupancy.taxon``, ``occupancy.stage``), a colony with a founding queen being a state of its own.

Model
-----
Nests outlive colonies: where plants were looked at more than once, a nest counts only where none was in use at the
look before, and with the ant known then. Exact: the conditional odds ratio of each two states or treatments, each
plant once (at its first look that counts), with one 2 x 2 table a block, given the margins; its interval holds what
neither tail rejects. Mixed: binomial model of all looks, ln odds = state + plant + block, plants (where at least 20
were found with one twice) and blocks normal; left out for states with fewer than 3 looks with or without, where the
exact one still stands. Treatments: difference of the shares of looks from the first day of the treatment on, leaving
out one block at a time. Two kinds on one plant: the exact odds ratio of finding both at the first look for both.

When not to use it
------------------
When plants were searched because somebody had seen a nest. As-occupied ratios are no experiment: birds and ants may
choose the same plants.

Example
-------
>>> from domatia.questions.associates import QUESTION
>>> QUESTION.code
'associates'

References
----------
Gart 1970, Biometrika 57:471-475 (exact odds ratio over tables); Fisher 1935, J. R. Stat. Soc. 98:39-82; Breslow &
Clayton 1993, JASA 88:9-25 (mixed models of proportions); Kott 2001, J. Off. Stat. 17:521-526 (leaving out one block).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.figures.side_by_side import side_by_side
from domatia.figures.style import Words
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import associates_numbers as numbers
from domatia.questions.associates_doubts import associates_doubts
from domatia.questions.wording import bounds, group, number


@dataclass(frozen=True)
class Found:
    """What the associates question found.

    Attributes
    ----------
    effects, tables, rows, too_little
        As `domatia.model.question.Found` says.
    about : Material
    unused : tuple of str
        What was asked for and cannot be used here.
    """

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: numbers.Material
    unused: tuple[str, ...] = ()


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Found:
    """Compare how often each kind was found, by treatment and by who held the plant.

    Parameters
    ----------
    data : StudyData
    ask : Ask
        Covariates are not used here; a doubt says so.
    rng : numpy Generator
        Not used: nothing here is random.

    Raises
    ------
    WrongUse
        If a field given with --by does not exist or cannot be used.
    """
    about = numbers.gather(data, ask)
    unused = (f"--adjust {', '.join(ask.adjust)}",) if ask.adjust else ()
    effects: list[Effect] = []
    if about.seen.absences:
        effects = [*numbers.by_groups(about), *numbers.by_holders(about), *numbers.together(about)]
    if not effects:
        return Found((), {}, about.rows_used(), _too_little(about), about, unused)
    effects[0] = replace(effects[0], main=True)
    tables = {} if ask.only_effects else numbers.tables(about)
    return Found(tuple(effects), tables, about.rows_used(), "", about, unused)


def _too_little(about: numbers.Material) -> str:
    rows = about.seen.rows
    if rows.height and not about.seen.absences:
        return (
            f"Too little to answer: {rows.height} sightings of associates and no look that found none. Write a record "
            "with present = no for each plant and kind that was looked for and not seen: a blank is not an absence."
        )
    return (
        f"Too little to answer: {rows.height} looks for associates, of which {int(rows['there'].sum())} found one in "
        f"use, on {len(about.plants)} plants. Two treatments or states of plants need {numbers.LEAST} plants each, of "
        "which some had an associate and some had none, in the same blocks where there are blocks."
    )


def doubts(data: StudyData, found: Found) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    return associates_doubts(data, found.about, found.effects, found.unused)


def figure(found: Found) -> Chart | None:
    """Draw how often each kind was found, by who held the plant."""
    bars = found.tables.get("bars")
    if bars is None or bars.is_empty():
        return None
    there = set(bars["group"])
    names = [*(h for h in found.about.holders[1:] if h in there), *(h for h in found.about.holders[:1] if h in there)]
    words = Words(
        "Who else lives on the plants, by who holds them",
        f"Share of looks that found each kind of associate, with 95 % intervals, on plants held by {', '.join(names)}.",
        "",
        "Share of looks",
    )
    return side_by_side(bars, names, words)


def sentence(found: Found, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words, with the interval and the gravest doubt."""
    if found.too_little:
        return found.too_little
    parts = []
    if found.about.groups is not None:
        first = found.effects[0]
        column = found.about.groups.column
        own = [
            e for e in found.effects if e.name == "share_difference" and (e.of, e.against) == (first.of, first.against)
        ]
        parts += [_shares(e, column) for e in own]
    parts += _holders(found.effects)
    parts += _pairs(found.effects)
    grave = [d for d in why_doubt if d.severity != "note"]
    text = " ".join(parts) or "No difference was shown between plants held by ants and vacant ones for any kind."
    return text + (f" But: {grave[0].text}" if grave else "")


def _plural(where: str) -> str:
    kind, _, how = where.partition(", ")
    name = {"bird nest": "bird nests", "wasp nest": "wasp nests", "parasite ant": "parasite ants"}.get(kind, kind)
    return f"new {name}" if how.startswith("new") else name


def _shares(e: Effect, column: str) -> str:
    low, high = number(100 * e.low), number(100 * e.high)
    what, of, against = _plural(e.where), group(column, e.of), group(column, e.against)
    if e.low <= 0.0 <= e.high:
        text = f"No difference between {of} and {against} was shown for {what}"
        return f"{text} ({number(100 * e.estimate)} percentage points, 95 % interval {low} to {high})."
    more = "more" if e.estimate > 0 else "less"
    if e.estimate < 0:
        low, high = number(-100 * e.high), number(-100 * e.low)
    text = f"{what} were found {number(abs(100 * e.estimate))} percentage points {more} often on {of} than on {against}"
    return f"{text[:1].upper()}{text[1:]} (95 % interval {low} to {high})."


def _holders(effects: Sequence[Effect]) -> list[str]:
    """Speak of the states that differ from vacant plants; the mixed model where it stands, else the exact ratio."""
    best: dict[tuple[str, str], Effect] = {}
    for name in ("odds_ratio_exact_as_occupied", "odds_ratio_mixed_as_occupied"):
        best |= {(e.where, e.of): e for e in effects if e.name == name}
    by_kind: dict[str, list[Effect]] = {}
    for e in best.values():
        if e.low > 1.0 or e.high < 1.0:
            by_kind.setdefault(e.where, []).append(e)
    found = []
    for where, own in by_kind.items():
        told = ", ".join(f"{number(e.estimate)} times as high {_on(e)} ({bounds(e)})" for e in own)
        found.append(f"Against vacant plants the odds of {_plural(where)} were {told}.")
    return found


def _on(e: Effect) -> str:
    return "with a founding queen" if e.of == "founding" else f"with {e.of}"


def _pairs(effects: Sequence[Effect]) -> list[str]:
    clear = [e for e in effects if e.name == "odds_ratio_together" and (e.low > 1.0 or e.high < 1.0)]
    return [
        f"{_plural(e.of).capitalize()} and {_plural(e.against)} shared plants {'more' if e.low > 1 else 'less'} often "
        f"than chance within blocks would have it (odds ratio {number(e.estimate)}, 95 % interval {bounds(e)})."
        for e in clear
    ]


def _has_looks(data: StudyData) -> bool:
    return data.table("associate").height > 0


QUESTION = Question(
    code="associates",
    asks="Who else profits?",
    needs=(Need("looks for nests, scale insects or other associates on the plants (associate)", _has_looks),),
    sources=(
        "Gart JJ 1970. Point and interval estimation of the common odds ratio in the combination of 2 x 2 tables with "
        "fixed marginals. Biometrika 57:471-475.",
        "Fisher RA 1935. The logic of inductive inference. J. R. Stat. Soc. 98:39-82.",
        "Breslow NE, Clayton DG 1993. Approximate inference in generalized linear mixed models. JASA 88:9-25.",
        "Kott PS 2001. The delete-a-group jackknife. J. Off. Stat. 17:521-526.",
    ),
    method=(
        "Looks for associates that found none count as well as those that found some. Nests were counted where none "
        "was in use at the look before, with the ant known then. Odds ratios are exact conditional ones within blocks, "
        "each plant once at its first look, and those of a binomial mixed model of all looks with plants and blocks as "
        "random effects. Shares were compared between treatments leaving out one block at a time."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)

__all__ = ["QUESTION", "Found"]
