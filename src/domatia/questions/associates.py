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
neither tail rejects. Treatments: difference of the shares of looks from the first day of the treatment on, leaving out
one block at a time. States against vacant: difference of the shares of all looks within blocks, a block weighing by
n1 n0 / (n1 + n0), leaving out one block at a time; left out below 20 looks, where the exact ratio still stands. Two
kinds on one plant: the exact odds ratio of finding both at the first look for both. A table beside: binomial mixed
model of all looks, ln odds = state + plant + block, plants (where at least 20 were found with one twice) and blocks
normal, errors clustered by block (CR2). Its ratios are of like plants and no averages over them.

When not to use it
------------------
When plants were searched because somebody had seen a nest. What is as occupied is no experiment: birds and ants may
choose the same plants.

Example
-------
>>> from domatia.questions.associates import QUESTION
>>> QUESTION.code
'associates'

References
----------
Gart 1970, Biometrika 57:471-475 (exact odds ratio over tables); Fisher 1935, J. R. Stat. Soc. 98:39-82; Greenland &
Robins 1985, Biometrics 41:55-68 (difference of shares within blocks); Kott 2001, J. Off. Stat. 17:521-526 (leaving out
one block); Breslow & Clayton 1993, JASA 88:9-25 (mixed models of proportions).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.figures.side_by_side import side_by_side
from domatia.figures.style import Words
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import associates_numbers as numbers
from domatia.questions import associates_words
from domatia.questions.associates_doubts import associates_doubts
from domatia.questions.associates_tables import tables as tables_of


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
    tables = {} if ask.only_effects else tables_of(about)
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
    """Answer in words: the treatments, the two clearest of the other comparisons, and the gravest doubt."""
    if found.too_little:
        return found.too_little
    parts = []
    if found.about.groups is not None:
        parts += associates_words.by_treatment(found.effects, found.about.groups.column)
    blocks = found.about.clusters if found.about.blocks_known else 0
    parts += associates_words.clearest(found.effects, blocks)
    grave = [d for d in why_doubt if d.severity != "note"]
    text = " ".join(parts) or "No difference was shown between plants held by ants and vacant ones for any kind."
    return text + (f" But: {grave[0].text}" if grave else "")


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
        "Greenland S, Robins JM 1985. Estimation of a common effect parameter from sparse follow-up data. Biometrics "
        "41:55-68.",
        "Breslow NE, Clayton DG 1993. Approximate inference in generalized linear mixed models. JASA 88:9-25.",
        "Kott PS 2001. The delete-a-group jackknife. J. Off. Stat. 17:521-526.",
    ),
    method=(
        "Looks for associates that found none count as well as those that found some. Nests were counted where none "
        "was in use at the look before, with the ant known then. Odds ratios are exact conditional ones within blocks, "
        "each plant once at its first look. Shares of looks were compared between treatments, and within blocks "
        "between plants held by each ant and vacant ones, leaving out one block at a time. A binomial mixed model of "
        "all looks, with plants and blocks as random effects and errors clustered by block, stands beside."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)

__all__ = ["QUESTION", "Found"]
