"""How fast are vacant plants found, and by whom?

What is measured
----------------
Each look (``occupancy.looked``) says whether a plant is vacant or who holds it. A step begins at a look that saw the
plant vacant, or at the day on which its ants were taken off, and ends at the next look: still vacant, held by an ant,
or dead. Which stage counts as held is printed: patrolling workers, or already a live founding queen. A visit at which
nobody looked ends no step. What happened between two looks is allowed for: see Model.

Model
-----
Competing hazards between looks: h_c(t) = exp(x'b_c) * a_c(t) for each ant and for dying vacant, a_c constant on pieces
of the time since the plant was seen vacant; x holds the group, canopy openness (``visit.openness_pct``), log height
(``visit.height_cm``), the distance to the nearest held plant (``plant.x_m``, ``plant.y_m``) and fields given with
``--adjust``, all as known at the beginning of the step. The chance of each end after a year is averaged over the spells
of a group. Intervals allow for plants of one block being alike.

A look need not see what came first. With Q the intensities of moves between vacant, each ant and dead, a plant that c
took is seen as x at the next look, dt later, with chance M_cx(dt) = average of [expm(Q u)]_cx over the time u left, and
P(seen x) = sum_c P(c came first) M_cx(dt) is what is fitted. Q comes from looks at plants that nobody treated between
them (table `hidden_changes`); colonies of plants that were vacant at the look before are lost and thrown out as much
more often as was seen of them, and until the first look at it such a plant dies as vacant ones do. Ants may also have
stayed where they were taken off: the share of such removals comes from how much more often the ant that was taken off
came back than others came, if several ants were taken off.

When not to use it
------------------
When plants were looked at so seldom that most colonies come and go between two looks: what is allowed for then rests on
constant rates, and the intervals know nothing of the doubt about Q. Removals that failed cannot be told from comebacks
where only one ant was taken off. Plants that are easily found and easily lost at once look like neither.

Example
-------
>>> from domatia.questions.founding import QUESTION
>>> QUESTION.asks
'How fast are vacant plants found, and by whom?'

References
----------
Prentice et al. 1978, Biometrics 34:541-554 (cause-specific hazards); Kalbfleisch & Lawless 1985, JASA 80:863-871, and
Jackson 2011, J. Stat. Software 38(8) (likelihood between looks); Dempster et al. 1977, J. R. Stat. Soc. B 39:1-38
(mixture); Lin & Wei 1989, JASA 84:1074-1078 (sandwich); Bell & McCaffrey 2002, Survey Methodology 28:169-181 (few
blocks).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.figures.curves import curves
from domatia.figures.style import Words
from domatia.histories.looks import Counts
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import founding_numbers as numbers
from domatia.questions.founding_hidden import Hidden
from domatia.questions.standing_doubts import standing_doubts
from domatia.questions.wording import bounds, share

LEAST_EVENTS = 5
COUNTS: Counts = "patrolling workers"


@dataclass(frozen=True)
class Founding:
    """What the founding question found; see `domatia.model.question.Found`."""

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: numbers.Material
    ends: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    hidden: Hidden | None = None


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Founding:
    """Estimate the chances of each end of a vacant spell and what they depend on.

    Parameters
    ----------
    data : StudyData
    ask : Ask
    rng : numpy Generator
        Not used: the intervals have formulas.
    """
    about = numbers.gather(data, ask, COUNTS)
    rows = about.rows_used(data)
    ended = about.rows.filter(~pl.col("ended").is_in(["", numbers.DIED])).height
    if ended < LEAST_EVENTS or about.clusters < 2:
        why = (
            f"Too little to answer: {about.rows.height} steps of vacant plants in {about.clusters} blocks, of which "
            f"{ended} ended with an ant. At least {LEAST_EVENTS} of these and two blocks are needed."
        )
        return Founding((), {}, rows, why, about)
    fits = numbers.fit(about)
    chances = numbers.chances(about, fits)
    tables = {} if ask.only_effects else numbers.tables(about, fits)
    effects = (replace(chances[0], main=True), *chances[1:], *numbers.ratios(about, fits))
    return Founding(effects, tables, rows, "", about, fits.ends, fits.notes, fits.hidden)


def doubts(data: StudyData, found: Founding) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    about = found.about
    told = [Doubt("fit", "note", n) for n in found.notes]
    if about.groups is not None:
        told += standing_doubts(data, about.groups, about.clusters)
    text = (
        f"A plant counts as found once an ant with {about.vacancies.counts} was seen on it. Looks lie "
        f"{about.vacancies.gap_days:.0f} days apart (median). Colonies that came and went in between, and plants that "
        "died after they were taken, are allowed for on average; of a single plant, who was seen first need not be who "
        "arrived first."
    )
    told.append(Doubt("between_looks", "note", text))
    told += _failed_removals(about, found.hidden)
    cut = numbers.treated_while_vacant(data, about)
    if cut:
        text = (
            f"On {cut:,} of {about.rows.height:,} steps of vacant plants ants were taken off, founding queens with "
            "them. Such plants have further to go until workers patrol than plants merely seen vacant, so groups "
            "treated unequally cannot be compared in this."
        )
        told.append(Doubt("treated_while_vacant", "warning", text))
    own = about.rows.group_by("plant").agg(n=pl.col("spell").n_unique()).filter(pl.col("n") > 1).height
    if own:
        text = f"{own} plants were vacant more than once; plants that lose ants again and again may be poor hosts."
        told.append(Doubt("vacant_again", "note", text))
    if "openness" not in about.columns:
        told.append(
            Doubt("no_light", "note", "Canopy openness is not known for most steps, so light is not allowed for.")
        )
    return tuple(told)


def _failed_removals(about: numbers.Material, hidden: Hidden | None) -> list[Doubt]:
    """Say how many removals seem to have left the ants where they were."""
    removals = about.rows.filter(pl.col("taken_off") != "").height
    if hidden is None or not removals:
        return []
    if hidden.failed is None:
        text = (
            f"{removals:,} vacant spells began with a removal. Whether the ant seen next came back or had never left "
            "cannot be told from so few looks; removals that failed count as plants found at once."
        )
        return [Doubt("removals_may_have_failed", "note", text)]
    text = (
        f"{removals:,} vacant spells began with a removal; about {share(hidden.failed)} of them seem to have left the "
        "colony alive (the ant that was taken off is seen again more often than others come). This is allowed for; "
        "it rests on few plants."
    )
    return [Doubt("failed_removals", "note", text)]


def figure(found: Founding) -> Chart | None:
    """Draw what became of vacant plants over time."""
    if "curve" not in found.tables:
        return None
    words = Words(
        "What becomes of a vacant plant",
        f"Chance over time of being taken by each ant or dying vacant: {', '.join(found.ends)}.",
        "Years since seen vacant",
        "Share of vacant plants",
    )
    return curves(found.tables["curve"], found.ends, words, stepped=False, limits=None)


def sentence(found: Founding, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words."""
    if found.too_little:
        return found.too_little
    parts = []
    for whole in (e for e in found.effects if e.name == "cumulative_incidence_1y" and e.of == numbers.ANY):
        own = [e for e in found.effects if e.name == whole.name and e.against == whole.against]
        own = sorted((e for e in own if e.of not in (numbers.ANY, numbers.DIED)), key=lambda e: (-e.estimate, e.of))
        who = ", ".join(f"{e.of} {share(e.estimate)}" for e in own)
        plants = "vacant plants" if whole.against == "all" else f"vacant {whole.against} plants"
        parts.append(f"of {plants} {share(whole.estimate)} ({bounds(whole, share)}): {who}")
    text = f"Held by an ant within a year (95 % intervals): {'; '.join(parts)}."
    grave = [d for d in why_doubt if d.severity != "note"]
    return text + (f" But: {grave[0].text}" if grave else "")


def _sees_vacant(data: StudyData) -> bool:
    told = data.table("occupancy").filter(pl.col("looked") & (pl.col("stage") == "none"))
    return told.height > 0


def _names_ants(data: StudyData) -> bool:
    return data.table("occupancy")["taxon"].null_count() < data.table("occupancy").height


QUESTION = Question(
    code="founding",
    asks="How fast are vacant plants found, and by whom?",
    needs=(
        Need("looks for ants that found a plant vacant (occupancy with looked and stage)", _sees_vacant),
        Need("looks that named the ant on a plant", _names_ants),
    ),
    sources=(
        "Prentice RL et al. 1978. The analysis of failure times in the presence of competing risks. "
        "Biometrics 34:541-554.",
        "Kalbfleisch JD, Lawless JF 1985. The analysis of panel data under a Markov assumption. "
        "J. Am. Stat. Assoc. 80:863-871.",
        "Jackson CH 2011. Multi-state models for panel data: the msm package for R. J. Stat. Software 38(8).",
    ),
    method=(
        "Vacant plants were followed from look to look. Being taken by each ant and dying vacant compete; their "
        "hazards, piecewise constant in the time since the plant was seen vacant, were estimated from what was seen at "
        "the next look, with the state at the beginning of each step as covariates and jackknife standard errors "
        "clustered by block. Changes between two looks (a plant taken and lost, taken over or dead before it was seen "
        "so) were allowed for with the intensities of a multi-state model of the same looks, and removals that left "
        "the colony alive with a mixture."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)
