"""Do ants keep plants alive?

What is measured
----------------
Each visit says whether a plant is alive (``visit.status``). Death is never dated: it lies between the last visit that
saw the plant alive and the first that found it dead. Time counts from the first day of the treatment
(``assignment.start``), or from the first visit that saw the plant alive.

Model
-----
Curve: the survival curve of each group that makes the brackets most likely (non-parametric maximum likelihood).
Effect: proportional hazards between visits, H = exp(x'b) * sum of (hazard of a piece of time * days in it), where x
holds the group and the fields given with ``--adjust``; exp(b) is the hazard ratio. Intervals allow for plants of one
block being alike (sandwich over blocks, t with blocks - 1 degrees of freedom below 40 blocks). Survival at one year and
the mean time alive up to a horizon come from the same hazards fitted to each group by itself, their intervals from
leaving out one block at a time. As occupied: the same model with the ants seen at or before the beginning of each step
between two visits, never those of the visit that found the death.

When not to use it
------------------
When plants were tagged because they had died, or when a visit's "dead" means "not found". As-occupied ratios are no
experiment: vigorous plants keep and attract colonies.

Example
-------
>>> from domatia.questions.survival import QUESTION
>>> QUESTION.asks
'Do ants keep plants alive?'

References
----------
Turnbull 1976, J. R. Stat. Soc. B 38:290-295; Finkelstein 1986, Biometrics 42:845-854 (hazards between visits);
Friedman 1982, Ann. Stat. 10:101-113 (piecewise-constant hazards); Lin & Wei 1989, JASA 84:1074-1078 (sandwich).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from domatia.figures.curves import curves
from domatia.figures.style import Words
from domatia.histories.groups import Pair
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import survival_numbers as numbers
from domatia.questions.survival_doubts import survival_doubts
from domatia.questions.wording import bounds, compared, share

LEAST_DEATHS = 5


@dataclass(frozen=True)
class Survival:
    """What the survival question found.

    Attributes
    ----------
    effects, tables, rows, too_little
        As `domatia.model.question.Found` says.
    pairs : tuple of Pair
        The comparisons, the primary one first.
    horizon : float
        Years up to which mean times alive are compared.
    about : Material
        The plants and brackets behind it.
    """

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    pairs: tuple[Pair, ...]
    horizon: float
    about: numbers.Material
    notes: tuple[str, ...] = ()


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Survival:
    """Estimate curves, hazard ratios, survival at one year and mean times alive.

    Parameters
    ----------
    data : StudyData
    ask : Ask
    rng : numpy Generator
        For the bands of the curves.

    Raises
    ------
    WrongUse
        If a field given with --by or --adjust does not exist or cannot be used.
    """
    about = numbers.gather(data, ask)
    rows = about.rows_used()
    deaths = about.table["right"].count()
    groups = [g for g in about.groups.names if g in set(about.table["value"])]
    if deaths < LEAST_DEATHS or len(groups) < 2 or about.clusters < 2:
        why = (
            f"Too little to answer: {about.table.height} plants followed, {deaths} found dead, "
            f"{len(groups)} group{'s' if len(groups) != 1 else ''} to compare, {about.clusters} blocks. "
            f"At least {LEAST_DEATHS} deaths and two groups are needed, each group in two blocks or more."
        )
        return Survival((), {}, rows, why, about.groups.pairs, 0.0, about)
    ratios = numbers.hazard_ratios(about)
    absolute = numbers.absolute_effects(about)
    occupied = numbers.as_occupied(data, about)
    tables = {} if ask.only_effects else numbers.tables(data, about, rng, ask.draws)
    effects = (*ratios.effects, *absolute.effects, *occupied)
    return Survival(
        effects, tables, rows, "", about.groups.pairs, absolute.horizon, about, (*ratios.notes, *absolute.notes)
    )


def doubts(data: StudyData, found: Survival) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    return survival_doubts(data, found.about, found.tables, found.effects, found.notes)


def figure(found: Survival) -> Chart | None:
    """Draw the share alive over time, one curve a group."""
    if "curve" not in found.tables:
        return None
    names = found.about.groups.names
    return curves(
        found.tables["curve"],
        names,
        Words(
            "Share of plants alive",
            f"Survival curves of {', '.join(names)} with 95 % bands, from deaths bracketed between visits.",
            "Years since the start",
            "Share alive",
        ),
    )


def sentence(found: Survival, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words, with the interval and the gravest doubt."""
    if found.too_little:
        return found.too_little
    main = found.effects[0]
    names = (found.about.groups.column, main.of, main.against)
    text = compared(main, names, faster="died {times} times as fast as", same="died neither faster nor slower than")
    alive = [e for e in found.effects if e.name == "survival_1y"]
    of = next((e for e in alive if e.of == main.of), None)
    against = next((e for e in alive if e.of == main.against), None)
    if of and against:
        text += (
            f" After one year {share(of.estimate)} of the former were alive and {share(against.estimate)} "
            f"of the latter (95 % intervals {bounds(of, share)} and {bounds(against, share)})."
        )
    grave = [d for d in why_doubt if d.severity != "note"]
    return text + (f" But: {grave[0].text}" if grave else "")


def _sees_plants_twice(data: StudyData) -> bool:
    visits = data.table("visit").filter(pl.col("status").is_not_null()).group_by("plant").len()
    return bool(visits.filter(pl.col("len") > 1).height)


def _has_groups(data: StudyData) -> bool:
    return data.table("assignment")["treatment"].n_unique() > 1 or data.table("plant").height > 0


QUESTION = Question(
    code="survival",
    asks="Do ants keep plants alive?",
    needs=(
        Need("plants visited at least twice, with their status", _sees_plants_twice),
        Need("treatments given to plants, or a field of the plants to compare by (--by)", _has_groups),
    ),
    sources=(
        "Turnbull BW 1976. The empirical distribution function with arbitrarily grouped, censored and truncated data. "
        "J. R. Stat. Soc. B 38:290-295.",
        "Finkelstein DM 1986. A proportional hazards model for interval-censored failure time data. "
        "Biometrics 42:845-854.",
        "Friedman M 1982. Piecewise exponential models for survival data with covariates. Ann. Stat. 10:101-113.",
        "Lin DY, Wei LJ 1989. The robust inference for the Cox proportional hazards model. JASA 84:1074-1078.",
    ),
    method=(
        "Deaths were known only to lie between two visits. Survival curves were estimated by non-parametric maximum "
        "likelihood for interval-censored times. Hazard ratios come from a proportional-hazards model with a "
        "piecewise-constant baseline fitted to the brackets, with standard errors clustered by block and, below 40 "
        "blocks, a small-sample correction and t quantiles. Survival at one year and restricted mean times alive were "
        "computed from piecewise-constant hazards of each group, with intervals from leaving out one block at a time."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)

__all__ = ["LEAST_DEATHS", "QUESTION", "Survival"]
