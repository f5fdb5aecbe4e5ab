"""Who displaces whom, and how long do colonies stay?

What is measured
----------------
At each visit a plant is vacant, founded (a queen or an incipient colony), held by an ant (``occupancy.taxon``,
``occupancy.stage``) or dead. A visit at which nobody looked may have met any of these but death; a plant with two ants
at once may belong to either. Plants whose ants were taken off are left out: there the treatment decided.

Model
-----
A continuous-time Markov model of what was seen at irregular visits: intensity q_ij of moving from state i to state j;
chances over a time t are the matrix exponential of t times Q; a mean stay is -1 / q_ii. Every direct move is allowed
but from an ant to founding. Intervals allow for plants of one block being alike; moves seen fewer than 30 times are
never surer than if plants were independent. Light and season: the same model with the canopy openness
(``visit.openness_pct``) or the profile's dry months at the earlier visit acting on every intensity.

When not to use it
------------------
When visits lie further apart than colonies last: then most moves are missed. The model forgets: it does not know that a
young colony may be lost more easily than an old one.

Example
-------
>>> from domatia.questions.takeover import QUESTION
>>> QUESTION.asks
'Who displaces whom, and how long do colonies stay?'

References
----------
Kalbfleisch & Lawless 1985, JASA 80:863-871; Jackson 2011, J. Stat. Software 38(8).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.figures.shares import shares
from domatia.figures.style import Words
from domatia.histories.looks import DIED, Counts
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import takeover_numbers as numbers
from domatia.questions.standing_doubts import FEW_BLOCKS, VERY_FEW_BLOCKS, open_findings
from domatia.questions.wording import bounds, number, share
from domatia.stats.multistate import fit_multistate

LEAST_MOVES = 20
COUNTS: Counts = "patrolling workers"
_MISFIT, _MISFIT_SD = 0.15, 3.0


@dataclass(frozen=True)
class Takeover:
    """What the takeover question found; see `domatia.model.question.Found`."""

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: numbers.Material
    loose: tuple[str, ...] = ()
    converged: bool = True
    unused: tuple[str, ...] = ()


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Takeover:
    """Estimate stays, intensities and chances after a year.

    Parameters
    ----------
    data : StudyData
    ask : Ask
        Groups and covariates are not used here; a doubt says so.
    rng : numpy Generator
        Not used: the intervals have formulas.
    """
    about = numbers.gather(data, COUNTS)
    given = (("--by", ask.by), ("--adjust", ", ".join(ask.adjust)))
    unused = tuple(f"{option} {name}" for option, name in given if name)
    rows = about.rows_used()
    moves = about.moves_seen()
    if moves < LEAST_MOVES or not about.ants or about.clusters < 2:
        why = (
            f"Too little to answer: {moves} changes between visits were seen on {rows.plants} plants in "
            f"{about.clusters} blocks. At least {LEAST_MOVES} changes, one ant and two blocks are needed."
        )
        return Takeover((), {}, rows, why, about)
    fit = numbers.not_surer_than_the_model(fit_multistate(about.panel(), about.pattern()), about.clusters)
    stays = numbers.stays(about, fit)
    tables = {"observed_and_expected": numbers.fits_table(about, fit)}
    if not ask.only_effects:
        tables |= {"light": numbers.light_ratios(about), "season": numbers.season_ratios(data, about)}
    effects = (
        replace(stays[0], main=True),
        *stays[1:],
        *numbers.after_a_year(about, fit),
        *numbers.intensities(about, fit),
    )
    kept = {name: t for name, t in tables.items() if t.height}
    loose = (*fit.loose.boundary, *fit.loose.unidentified)
    return Takeover(effects, kept, rows, "", about, loose, fit.converged, unused)


def doubts(data: StudyData, found: Takeover) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    about = found.about
    told = []
    if found.too_little:
        return ()
    if not found.converged:
        told.append(
            Doubt("fit", "error", "The search for the best intensities did not end; the numbers are not to be used.")
        )
    if found.unused:
        text = f"This question compares no groups and allows for no fields: {' and '.join(found.unused)} had no effect."
        told.append(Doubt("not_used", "warning", text))
    if about.clusters < FEW_BLOCKS:
        text = f"There are {about.clusters} blocks; intervals are clustered by block, with a correction for few blocks."
        if about.clusters < VERY_FEW_BLOCKS:
            text += " With so few they are a rough guide, and some are too narrow."
        told.append(Doubt("few_blocks", "note" if about.clusters >= VERY_FEW_BLOCKS else "warning", text))
    if found.loose:
        moves = ", ".join("from " + move.replace(" -> ", " to ") for move in found.loose)
        text = f"These moves were never or hardly seen, so that only an upper limit can be given: {moves}."
        told.append(Doubt("never_seen", "note", text))
    if about.sequences.lumped:
        text = f"Seen too rarely to be told apart from others: {', '.join(about.sequences.lumped)}."
        told.append(Doubt("lumped", "note", text))
    text = (
        f"A plant counts as held from {about.counts} on. An ant that left and came back between two visits was not "
        f"seen "
        "to leave, and the model takes old and young colonies as equally likely to leave."
    )
    told.append(Doubt("between_visits", "note", text))
    told += _misfit(found)
    return (*told, *open_findings(data.findings))


def _misfit(found: Takeover) -> list[Doubt]:
    table = found.tables["observed_and_expected"].filter(pl.col("expected") >= 20)
    off = table.with_columns(gap=(pl.col("observed") - pl.col("expected")).abs() / pl.col("expected"))
    off = off.filter((pl.col("gap") > _MISFIT) & (pl.col("gap") * pl.col("expected").sqrt() > _MISFIT_SD)).sort(
        ["gap", "before", "after"], descending=[True, False, False]
    )
    if off.is_empty():
        return []
    row = off.row(0, named=True)
    text = (
        f"The model fits badly in places: from {row['before']} to {row['after']} {row['observed']} were seen and "
        f"{row['expected']:.0f} expected."
    )
    return [Doubt("misfit", "warning", text)]


def figure(found: Takeover) -> Chart | None:
    """Draw what each state has become after a year."""
    if found.too_little:
        return None
    states = found.about.sequences.states
    year = [e for e in found.effects if e.name == "transition_1y"]
    table = pl.DataFrame(
        {"row": [e.of for e in year], "part": [e.against for e in year], "share": [e.estimate for e in year]}
    )
    words = Words(
        "What has become of a plant after a year",
        "Shares of the states after a year, one bar for each state at its beginning.",
        "Share of plants after a year",
        "At the beginning",
    )
    return shares(table, [s for s in states if s != DIED], states, words)


def sentence(found: Takeover, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words."""
    if found.too_little:
        return found.too_little
    ants = set(found.about.ants)
    stays = [e for e in found.effects if e.name == "mean_stay" and e.of in ants]
    told = "; ".join(f"{e.of} {number(e.estimate)} years ({bounds(e)})" for e in stays)
    moves = [e for e in found.effects if e.name == "intensity" and e.of in ants and e.against in ants]
    top = max(moves, key=lambda e: (e.estimate, e.of, e.against), default=None)
    text = f"Mean stays: {told}."
    if top is not None and top.low > 0:
        text += (
            f" The commonest takeover is of {top.of} by {top.against}: {number(top.estimate)} a plant and year "
            f"(95 % interval {bounds(top)})."
        )
    keep = next((e for e in found.effects if e.name == "transition_1y" and e.of == e.against == stays[0].of), None)
    if keep is not None:
        text += f" After a year {share(keep.estimate)} of the plants of {keep.of} are its own ({bounds(keep, share)})."
    grave = [d for d in why_doubt if d.severity != "note"]
    return text + (f" But: {grave[0].text}" if grave else "")


def _names_ants(data: StudyData) -> bool:
    return data.table("occupancy").filter(pl.col("taxon").is_not_null()).height > 0


def _sees_twice(data: StudyData) -> bool:
    visits = data.table("occupancy").select(subject_id="visit").unique()
    seen = data.table("visit").join(visits, on="subject_id", how="semi").group_by("plant").len()
    return bool(seen.filter(pl.col("len") > 1).height)


QUESTION = Question(
    code="takeover",
    asks="Who displaces whom, and how long do colonies stay?",
    needs=(
        Need("looks that named the ant on a plant (occupancy with taxon and stage)", _names_ants),
        Need("at least two looks at the same plant", _sees_twice),
    ),
    sources=(
        "Kalbfleisch JD, Lawless JF 1985. The analysis of panel data under a Markov assumption. JASA 80:863-871.",
        "Jackson CH 2011. Multi-state models for panel data. J. Stat. Software 38(8).",
    ),
    method=(
        "The state of each plant at its visits was modelled as a continuous-time Markov process seen at irregular "
        "times, with death bracketed between visits and visits without a look taken as any living state; standard "
        "errors are "
        "clustered by block; a move seen fewer than 30 times is given no less variance than if plants were "
        "independent. Plants whose ants were taken off were left out."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)
