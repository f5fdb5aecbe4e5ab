"""Do ants raise or cost flowers, fruits and seeds?

What is measured
----------------
Counts of flowers, fruits and seeds on a plant (``reproduction.flowers``, ``reproduction.fruits``,
``reproduction.seeds``, or ``visit.flowers`` and ``visit.fruits``). The unit is a plant in a calendar year: of several
counts in a year the largest stands for it. A year in which nobody counted in a block is missing, and so is a plant that
was alive but not counted: a blank is no nought. Only counts from the first day of the treatment on are used.

Model
-----
Means per plant and year. "Per plant, the dead as none": all plants of counted block-years, nought for those found dead
by then; means with everybody set to one treatment come from a regression of the count (log link) on treatment, log
height before the treatment and year, so that chance differences in size are taken out. "Living plants" leaves the dead
out and averages the means of the years, so that no group is of other years; "plants that flowered" is the number given
that there is any. Intervals leave out one block at a time. Beside them stands a hurdle model of living plants: log odds
of any = x'b + plant + block, and a zero-truncated negative binomial for how many, log mean = x'c + plant + block, with
log height before the treatment and year in x.

When not to use it
------------------
When plants were chosen for flowering, or when buds are lost before anybody can count them: flowers then measure what
survived, not what was made. Means of plants that flowered compare plants that chance and ants have selected.

Example
-------
>>> from domatia.questions.reproduction import QUESTION
>>> QUESTION.asks
'Do ants raise or cost flowers, fruits and seeds?'

References
----------
Mullahy 1986, J. Econometrics 33:341-365 (hurdle models); Rosenblum & van der Laan 2010, Int. J. Biostat. 6(1):13 (means
with everybody set to one treatment); Kott 2001, J. Off. Stat. 17:521-526 (leaving out one group at a time); Breslow &
Clayton 1993, JASA 88:9-25 (mixed models).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.figures.side_by_side import side_by_side
from domatia.figures.style import Words
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import reproduction_numbers as numbers
from domatia.questions.reproduction_doubts import reproduction_doubts
from domatia.questions.wording import bounds, group, interval, number


@dataclass(frozen=True)
class Reproduction:
    """What the reproduction question found.

    Attributes
    ----------
    effects, tables, rows, too_little
        As `domatia.model.question.Found` says.
    about : Material
    stage : str
        What the answer speaks of: flowers, fruits or seeds.
    notes : tuple of str
        What the mixed model warns of.
    """

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: numbers.Material
    stage: str
    notes: tuple[str, ...] = ()


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Reproduction:
    """Compare counts per plant and year between groups.

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
    why = numbers.enough(about)
    if why:
        return Reproduction((), {}, about.rows_used(), why, about, "")
    stage = about.stage()
    found = numbers.means(about)
    if not found:
        why = "Too little to answer: no year has counts of every group in three blocks."
        return Reproduction((), {}, about.rows_used(), why, about, "")
    first = next((e for e in found if e.name == f"{stage}_ratio" and e.where == numbers.WHOLE), found[0])
    ordered = (replace(first, main=True), *(e for e in found if e is not first))
    model = numbers.hurdle(about, stage)
    tables = {} if ask.only_effects else {**numbers.tables(data, about), "spread": model.spread}
    return Reproduction((*ordered, *model.effects), tables, about.rows_used(), "", about, stage, model.notes)


def doubts(data: StudyData, found: Reproduction) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    return reproduction_doubts(data, found.about, found.effects, found.tables, found.notes)


def figure(found: Reproduction) -> Chart | None:
    """Draw the mean count of a living plant by year, groups side by side."""
    if "curve" not in found.tables:
        return None
    names, stage = found.about.names, found.stage
    words = Words(
        f"{stage.capitalize()} of a living plant",
        f"Mean number of {stage} of living plants by calendar year for {', '.join(names)}, with 95 % intervals.",
        "Calendar year",
        f"{stage.capitalize()} a plant",
    )
    return side_by_side(found.tables["curve"], names, words)


def sentence(found: Reproduction, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words, with the interval and the gravest doubt."""
    if found.too_little:
        return found.too_little
    main, column = found.effects[0], found.about.groups.column
    of, against = group(column, main.of), group(column, main.against)
    if main.name.endswith("_ratio"):
        text = f"{of} made {number(main.estimate)} times as many {found.stage} a year as {against} ({interval(main)})"
        text += ", the dead counted as making none" if main.where == numbers.WHOLE else f" ({main.where})"
        none = 1.0
    else:
        more = "more" if main.estimate > 0 else "less"
        low, high = (f"{100 * v:.1f}" for v in (main.low, main.high))
        text = f"{of} bore {abs(100 * main.estimate):.1f} percentage points {more} often than {against} "
        text += f"(95 % interval of the difference {low} to {high})"
        none = 0.0
    if main.low <= none <= main.high:
        text = f"no difference was shown; the best guess is that {text}"
    text = text[:1].upper() + text[1:] + "."
    beside = next((e for e in found.effects if e.name == main.name and e.where == numbers.LIVING), None)
    if beside is not None and beside is not main:
        text += f" Among living plants it was {number(beside.estimate)} times as many ({bounds(beside)})."
    grave = [d for d in why_doubt if d.severity != "note"]
    return text + (f" But: {grave[0].text}" if grave else "")


def _has_counts(data: StudyData) -> bool:
    counts = [data.table(k)[c].count() for k in ("reproduction", "visit") for c in ("flowers", "fruits")]
    return sum(counts) > 0


def _has_groups(data: StudyData) -> bool:
    return data.table("assignment")["treatment"].n_unique() > 1 or data.table("plant").height > 0


QUESTION = Question(
    code="reproduction",
    asks="Do ants raise or cost flowers, fruits and seeds?",
    needs=(
        Need("counts of flowers, fruits or seeds on plants", _has_counts),
        Need("treatments given to plants, or a field of the plants to compare by (--by)", _has_groups),
    ),
    sources=(
        "Mullahy J 1986. Specification and testing of some modified count data models. J. Econometrics 33:341-365.",
        "Rosenblum M, van der Laan MJ 2010. Simple, efficient estimators of treatment effects in randomized trials "
        "using generalized linear models to leverage baseline variables. Int. J. Biostat. 6(1):13.",
        "Kott PS 2001. The delete-a-group jackknife. J. Off. Stat. 17:521-526.",
        "Breslow NE, Clayton DG 1993. Approximate inference in generalized linear mixed models. JASA 88:9-25.",
    ),
    method=(
        "Flowers, fruits and seeds were compared per plant and calendar year, with plants found dead by the count as "
        "bearing none and, in a second version, left out. Means with all plants set to one treatment come from a "
        "log-linear regression on treatment, log height before the treatment and year; intervals leave out one block "
        "at a time. A hurdle model with plants and blocks as random effects gives the odds of bearing any and the "
        "number given any, among living plants."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)

__all__ = ["QUESTION", "Reproduction"]
