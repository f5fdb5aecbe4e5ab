"""Do plants with ants grow more?

What is measured
----------------
Heights of living plants (``visit.height_cm``) at real dates; time counts from the first day of the treatment
(``assignment.start``), for which the last height before it stands, or from the first measure. Shrinkage is kept.

Model
-----
log height = group + years + group x years + plant (level and rate) + block + error, fitted by restricted maximum
likelihood; the rate of a group is its relative growth rate (per year), the effect is the difference of rates. Intervals
allow for plants of one block being alike (sandwich over blocks). Where every block stands in one known habitat
(``place.habitat``), the rate and the height gained of a single group have intervals from the spread of blocks within
habitats: habitats are chosen, not drawn, so these levels hold for the habitats of the study in their shares, not for a
wider landscape. Beside it: the height gained in the first year by
plants then alive; the same with a dead plant counted as 0 cm; the share dead; growth while held by a defending ant
against growth while vacant, within the same plant and among plants of the same height.

When not to use it
------------------
When plants are measured to different points by different people without repeats. Among survivors alone a treatment that
kills slow growers looks like one that makes plants grow: read the share dead beside it.

Example
-------
>>> from domatia.questions.growth import QUESTION
>>> QUESTION.asks
'Do plants with ants grow more?'

References
----------
Laird & Ware 1982, Biometrics 38:963-974 (mixed model); Hoffmann & Poorter 2002, Ann. Bot. 90:37-42 (relative growth
rate from log sizes); Bell & McCaffrey 2002, Survey Methodology 28:169-181 (sandwich with few blocks); Cochran 1977,
Sampling Techniques, 3rd ed., chapter 5, and Binder 1983, Int. Stat. Rev. 51:279-292 (levels within fixed strata).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from domatia.figures.curves import curves
from domatia.figures.style import Words
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import growth_numbers as numbers
from domatia.questions.standing_doubts import standing_doubts
from domatia.questions.wording import group, number, share

LEAST_PLANTS = 10
_UNEVEN = 0.05


@dataclass(frozen=True)
class Growth:
    """What the growth question found; see `domatia.model.question.Found`."""

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: numbers.Material
    notes: tuple[str, ...] = ()


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Growth:
    """Estimate growth rates, their differences and heights after a year.

    Parameters
    ----------
    data : StudyData
    ask : Ask
    rng : numpy Generator
        For the randomisation test; the intervals have formulas.

    Raises
    ------
    WrongUse
        If a field given with --by or --adjust does not exist or cannot be used.
    """
    about = numbers.gather(data, ask)
    rows = about.rows_used()
    if about.plants.height < LEAST_PLANTS or len(about.names) < 2 or about.clusters < 2:
        why = (
            f"Too little to answer: {about.plants.height} plants measured twice or more in {len(about.names)} "
            f"groups to compare and {about.clusters} blocks. At least {LEAST_PLANTS} plants and two groups are needed, "
            "each group in two blocks or more."
        )
        return Growth((), {}, rows, why, about)
    fitted = numbers.slopes(about)
    year, note = numbers.after_a_year(data, about)
    held = numbers.with_ants(data, about)
    tables = {}
    if not ask.only_effects:
        tables = {"curve": numbers.mean_curve(about), "spread": fitted.components}
        tables |= {"randomisation_test": numbers.redrawn_table(data, about, rng)}
    notes = (*fitted.warnings, *((note,) if note else ()))
    return Growth((*fitted.effects, *year, *held), tables, rows, "", about, notes)


def doubts(data: StudyData, found: Growth) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    about = found.about
    told = [Doubt("fit", "note", n[:1].upper() + n[1:] + ("" if n.endswith(".") else ".")) for n in found.notes]
    told += standing_doubts(data, about.groups, about.clusters)
    if found.too_little:
        return tuple(told)
    dead = {e.of: e for e in found.effects if e.name == "share_dead_1y"}
    main = found.effects[0]
    if {main.of, main.against} <= set(dead):
        a, b = dead[main.of].estimate, dead[main.against].estimate
        one, other = group(about.groups.column, main.of), group(about.groups.column, main.against)
        text = (
            "Rates are those of living plants. In the first year "
            f"{share(a)} of the {one} died and {share(b)} of the {other}."
        )
        told.append(Doubt("survivors", "warning" if abs(a - b) > _UNEVEN else "note", text))
    if about.strata is not None:
        text = (
            "The rate and the height gained of a single group hold for the habitats of this study in their shares, not "
            "for a wider landscape: only the spread of blocks within habitats counts as chance."
        )
        told.append(Doubt("these_habitats", "note", text))
    text = f"In {share(numbers.shrinkage(about))} of the steps between measures a plant became shorter; this is kept."
    told.append(Doubt("shrinkage", "note", text))
    if about.sizes.repeat_sd is not None:
        text = (
            f"{about.sizes.repeats} repeated measures put the error of one height at "
            f"{100 * about.sizes.repeat_sd:.1f} % (standard deviation)."
        )
    else:
        text = "Too few heights were measured twice at one visit to tell the error of a measure."
    told.append(Doubt("measurement_error", "note", text))
    if about.sizes.grain != "day":
        told.append(
            Doubt("coarse_dates", "note", "Visits are not dated to the day; rates rest on whole years or months.")
        )
    if any(e.name == "rgr_difference_as_occupied" for e in found.effects):
        text = (
            "Growth as occupied is no experiment: larger and vigorous plants are found by ants sooner and keep them "
            "longer."
        )
        told.append(Doubt("vigorous_plants", "note", text))
    return tuple(told)


def figure(found: Growth) -> Chart | None:
    """Draw mean height over time, one curve a group."""
    if "curve" not in found.tables:
        return None
    words = Words(
        "Mean height of living plants",
        f"Geometric mean height over time of {', '.join(found.about.names)} with 95 % bands of the mean.",
        "Years since the start",
        "Height (cm)",
    )
    return curves(found.tables["curve"], found.about.names, words, stepped=False, limits=None)


def sentence(found: Growth, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words."""
    if found.too_little:
        return found.too_little
    main, column = found.effects[0], found.about.groups.column
    one, other = group(column, main.of), group(column, main.against)
    ends = f"95 % interval {100 * main.low:.1f} to {100 * main.high:.1f}"
    if main.low > 0 or main.high < 0:
        way, sign = ("more", 1.0) if main.estimate > 0 else ("less", -1.0)
        low, high = sorted((sign * main.low, sign * main.high))
        size, ends = number(100 * abs(main.estimate)), f"95 % interval {100 * low:.1f} to {100 * high:.1f}"
        text = f"{one[:1].upper()}{one[1:]} grew {size} percentage points a year {way} than {other} ({ends})."
    else:
        text = (
            f"No difference in growth was shown between {one} and {other}: {number(100 * main.estimate)} percentage "
            f"points a year ({ends})."
        )
    cm = next((e for e in found.effects if e.name == "height_difference_1y_cm"), None)
    if cm is not None:
        text += _gained(cm, one, other)
    grave = [d for d in why_doubt if d.severity != "note"]
    return text + (f" But: {grave[0].text}" if grave else "")


def _gained(cm: Effect, one: str, other: str) -> str:
    """Say by how much more or less the living plants gained in the first year."""
    if cm.low <= 0 <= cm.high:
        ends = f"95 % interval {number(cm.low)} to {number(cm.high)} cm"
        return f" In the height that living plants gained in the first year no difference was shown ({ends})."
    way = "more" if cm.estimate > 0 else "less"
    low, high = sorted((abs(cm.low), abs(cm.high)))
    ends = f"95 % interval {number(low)} to {number(high)}"
    gained = f"{number(abs(cm.estimate))} cm {way}"
    return f" In the first year the living {one} gained {gained} than the living {other} ({ends})."


def _measures_twice(data: StudyData) -> bool:
    visits = data.table("visit").filter(pl.col("height_cm") > 0).group_by("plant").len()
    return bool(visits.filter(pl.col("len") > 1).height)


QUESTION = Question(
    code="growth",
    asks="Do plants with ants grow more?",
    needs=(Need("heights of the same plant at two dates (visit.height_cm)", _measures_twice),),
    sources=(
        "Laird NM, Ware JH 1982. Random-effects models for longitudinal data. Biometrics 38:963-974.",
        "Hoffmann WA, Poorter H 2002. Avoiding bias in calculations of relative growth rate. Ann. Bot. 90:37-42.",
        "Bell RM, McCaffrey DF 2002. Bias reduction in standard errors for linear regression with multi-stage samples. "
        "Survey Methodology 28:169-181.",
        "Cochran WG 1977. Sampling Techniques, 3rd ed. Wiley, New York, chapter 5.",
        "Binder DA 1983. On the variances of asymptotically normal estimators from complex surveys. "
        "Int. Stat. Rev. 51:279-292.",
    ),
    method=(
        "Log height was modelled on time since the start by group, with random levels and rates of plants and random "
        "levels of blocks (restricted maximum likelihood); differences in relative growth rate have standard errors "
        "clustered by block with a small-sample correction. Heights gained in the first year were interpolated between "
        "the visits around it, with intervals from leaving out one block at a time. For the rate and the height gained "
        "of a single group, where every block stands in a known habitat, habitats were taken as fixed strata."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)
