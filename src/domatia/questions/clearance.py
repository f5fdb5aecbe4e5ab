"""Do they keep the ground and the crown clear?

What is measured
----------------
The bare radius about the trunk (``visit.bare_radius_cm``), whether vines or neighbours touch the plant
(``visit.vines_touching``), and how long a vine laid against a plant goes on touching it (``vine_contact.cut_h``, or
``vine_contact.watched_h`` where it still touched at the last look). Looks at plants with nothing growing near
(``visit.growth_near`` = no) tell nothing and are left out.

Model
-----
Means over all looks of a group from the first day of the treatment on: difference of bare radius in cm, difference and
odds ratio of the share of looks with a vine touching; intervals leave out one block at a time (or one plant, where
plants stand in no blocks). Laid vines: proportional hazards of being cut, by group, errors clustered by block, vines
still touching at the last look censored. As occupied: looks at plants held by a defending ant against looks at vacant
ones within the same block, by the ants seen at or before the look; and mean radius by months since they were first
seen. Where each plant was looked at once for vines, the exact conditional odds ratio stands beside, blocks as strata.

When not to use it
------------------
When somebody weeded, or when plants were chosen for their clearings. Between plants that differ in something else as
well (two forms of a tree, of which one has no ants) the difference cannot be laid to the ants.

Example
-------
>>> from domatia.questions.clearance import QUESTION
>>> QUESTION.code
'clearance'

References
----------
Kott 2001, J. Off. Stat. 17:521-526 (leaving out one group at a time); Cox 1972, J. R. Stat. Soc. B 34:187-220; Lin &
Wei 1989, JASA 84:1074-1078 (clustered errors); Fisher 1935, J. R. Stat. Soc. 98:39-82 (exact test).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.figures.side_by_side import side_by_side
from domatia.figures.style import Words
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import clearance_numbers as numbers
from domatia.questions.clearance_doubts import clearance_doubts
from domatia.questions.wording import bounds, group, interval, number


@dataclass(frozen=True)
class Clearance:
    """What the clearance question found.

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


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Clearance:
    """Compare bare ground, vines that touch, and the cutting of laid vines.

    Parameters
    ----------
    data : StudyData
    ask : Ask
    rng : numpy Generator
        Not used: nothing here is random.

    Raises
    ------
    WrongUse
        If a field given with --by or --adjust does not exist or cannot be used.
    """
    about = numbers.gather(data, ask)
    found = [] if about.clusters < 2 else [*numbers.ground(about), *numbers.cutting(about)]
    if not found:
        why = (
            f"Too little to answer: {about.looks.height} looks at ground or vines and {about.laid.height} laid vines "
            f"({int(about.laid['cut'].sum())} cut) in {len(about.names)} groups. Each of two groups needs "
            f"{numbers.LEAST} of one kind, in two blocks or more."
        )
        return Clearance((), {}, about.rows_used(), why, about)
    beside = (*numbers.exact(about), *numbers.as_occupied(data, about))
    effects = (replace(found[0], main=True), *found[1:], *beside)
    tables = {} if ask.only_effects else numbers.tables(about)
    return Clearance(effects, tables, about.rows_used(), "", about)


def doubts(data: StudyData, found: Clearance) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    return clearance_doubts(data, found.about, found.effects)


def figure(found: Clearance) -> Chart | None:
    """Draw the mean bare radius by who lives on the plant, and for how long."""
    curve = found.tables.get("curve")
    if curve is None or curve.is_empty():
        return None
    names = sorted(curve["group"].unique().to_list(), key=lambda n: (n == "vacant", n))
    words = Words(
        "Bare ground about the plants by who lives on them",
        "Mean bare radius with 95 % intervals by occupant and by the months since it was first seen there.",
        "Months since this occupant was first seen",
        "Bare radius (cm)",
    )
    return side_by_side(curve, names, words)


def sentence(found: Clearance, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words, with the interval and the gravest doubt."""
    if found.too_little:
        return found.too_little
    column = found.about.groups.column
    main = found.effects[0]
    parts = [_said(main, column)]
    first = {e.name: e for e in reversed(found.effects) if (e.of, e.against) == (main.of, main.against)}
    for name in ("vine_contact_difference", "vine_cut_hazard_ratio"):
        if name in first and name != main.name:
            parts.append(_said(first[name], column))
    grave = [d for d in why_doubt if d.severity != "note"]
    return " ".join(parts) + (f" But: {grave[0].text}" if grave else "")


def _said(e: Effect, column: str) -> str:
    of, against = group(column, e.of), group(column, e.against)
    if e.name == "bare_radius_difference":
        less = "smaller" if e.estimate < 0 else "larger"
        ends = sorted((abs(e.low), abs(e.high))) if e.low * e.high > 0 else [e.low, e.high]
        text = f"the bare ground about {of} was {number(abs(e.estimate))} cm {less} in radius than about {against} "
        text += f"(95 % interval {number(ends[0])} to {number(ends[1])})"
    elif e.name == "vine_contact_difference":
        more = "more" if e.estimate > 0 else "less"
        low, high = (f"{100 * v:.0f}" for v in (e.low, e.high))
        text = f"vines touched {of} {abs(100 * e.estimate):.0f} percentage points {more} often than {against} "
        text += f"(95 % interval {low} to {high})"
    elif e.name == "vine_contact_odds_ratio":
        text = f"the odds of a vine touching {of} were {number(e.estimate)} times those for {against} ({interval(e)})"
    else:
        text = f"vines laid against {of} were cut {number(e.estimate)} times as fast as against {against} "
        text += f"(95 % interval {bounds(e)})"
    none = 1.0 if "ratio" in e.name else 0.0
    if e.low <= none <= e.high:
        text = f"no difference was shown: the best guess is that {text}"
    return text[:1].upper() + text[1:] + "."


def _has_looks(data: StudyData) -> bool:
    visits = data.table("visit")
    return visits["bare_radius_cm"].count() + visits["vines_touching"].count() + data.table("vine_contact").height > 0


def _has_groups(data: StudyData) -> bool:
    return data.table("assignment")["treatment"].n_unique() > 1 or data.table("plant").height > 0


QUESTION = Question(
    code="clearance",
    asks="Do they keep the ground and the crown clear?",
    needs=(
        Need("visits with the bare radius or the vines that touch, or vines laid against plants", _has_looks),
        Need("treatments given to plants, or a field of the plants to compare by (--by)", _has_groups),
    ),
    sources=(
        "Kott PS 2001. The delete-a-group jackknife. J. Off. Stat. 17:521-526.",
        "Cox DR 1972. Regression models and life-tables. J. R. Stat. Soc. B 34:187-220.",
        "Lin DY, Wei LJ 1989. The robust inference for the Cox proportional hazards model. JASA 84:1074-1078.",
        "Fisher RA 1935. The logic of inductive inference. J. R. Stat. Soc. 98:39-82.",
    ),
    method=(
        "Bare radius and the share of looks at which a vine touched were averaged over the looks of each group; looks "
        "at plants with nothing growing near were left out, and intervals leave out one block at a time. The time "
        "until a laid vine was cut was compared by proportional hazards with errors clustered by block, vines still "
        "touching at the last look being censored. Looks at plants held by defending ants were compared with looks at "
        "vacant plants of the same block, by the ants seen at or before the look."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
    ignores=("adjust",),
)

__all__ = ["QUESTION", "Clearance"]
