"""Which ant at which light?

What is measured
----------------
Canopy openness above each plant (``visit.openness_pct``) and who lived on it (``occupancy.taxon``,
``occupancy.stage``; a colony counts from its live queen on), both at the plant's first look that says both. Vacant
plants are an outcome like the ants. Looks after ants were first taken off (``intervention.kind``) are left out.
Openness is that of the same visit or the nearest in time within half a year, by one method
(``visit.openness_method``): readings by another method are used only through a line made from plants measured by
both.

Model
-----
Multinomial logit: the log odds of each ant against vacant plants are a natural cubic spline of openness (a straight
line or one bend where some occupant is rare). Curves are averages over blocks, with errors clustered by block
(leaving out one at a time): the question is of the whole landscape, in which blocks differ in light, so that a fixed
effect of the block would take away most of the light there is, and a random one would give the curve of a single
block. Light within blocks stands beside: the odds ratio for ten points more openness than the block's mean, that mean
being in the model as well. From the curves, between the openness that nearly all plants stand in: the share in the
light less that in the shade; the optimum, with an interval that holds every openness at which the curve may be level,
and "not reached" if it lies at an end; and, as if plants were equally common at every openness, the mean, the breadth
(the range that holds the middle 80 %) and the overlap of each two ants by Schoener, Pianka and Morisita-Horn. Chance:
occupants are dealt anew among the plants of each block, 999 times (199 above 20,000 plants), and overlaps of classes
of openness compared.

When not to use it
------------------
When plants were chosen by their occupant or their light. It tells where ants live, not why: they may choose, or
survive, or be pushed there.

Example
-------
>>> from domatia.questions.light import QUESTION
>>> QUESTION.code
'light'

References
----------
Agresti 2002, Categorical Data Analysis, 2nd ed., ch. 7; Liang & Zeger 1986, Biometrika 73:13-22 (clustered errors);
Schoener 1968, Ecology 49:704-726; Pianka 1973, Annu. Rev. Ecol. Syst. 4:53-74; Horn 1966, Am. Nat. 100:419-424.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.figures.fitted import fitted
from domatia.figures.style import Words
from domatia.histories.looks import VACANT
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import light_numbers as numbers
from domatia.questions import light_tables
from domatia.questions.light_doubts import light_doubts
from domatia.questions.wording import number, points


@dataclass(frozen=True)
class Light:
    """What the light question found.

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


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Light:
    """Estimate the curves and what follows from them.

    Parameters
    ----------
    data : StudyData
    ask : Ask
        Groups and covariates are not used here; a doubt says so.
    rng : numpy Generator
        For the overlaps' intervals, and for dealing the occupants anew.
    """
    about = numbers.gather(data)
    given = (("--by", ask.by), ("--adjust", ", ".join(ask.adjust)))
    unused = tuple(f"{option} {name}" for option, name in given if name)
    rows = about.rows_used()
    if not about.enough:
        kinds = ", ".join(about.kinds) or "none"
        low, high = about.span
        why = (
            f"Too little to answer: {about.plants.height} plants with occupant and openness in {about.clusters} "
            f"block{'s' if about.clusters != 1 else ''}; on {numbers.LEAST_OF_A_KIND} plants or more: {kinds}; "
            f"openness {low:g} to {high:g} %. At least {numbers.LEAST_PLANTS} plants, two kinds of occupant (vacant "
            f"counts), two blocks and {numbers.LEAST_SPAN:g} points of openness are needed."
        )
        return Light((), {}, rows, why, about, unused)
    curves = numbers.fit_curves(about)
    effects = [
        *numbers.share_effects(about, curves),
        *numbers.place_effects(about, curves),
        *numbers.overlap_effects(about, curves, rng),
        *numbers.within_effects(about),
    ]
    effects[0] = replace(effects[0], main=True)
    tables = {} if ask.only_effects else light_tables.tables(about, curves, rng)
    return Light(tuple(effects), tables, rows, "", about, unused)


def doubts(data: StudyData, found: Light) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    return light_doubts(data, found.about, found.effects, found.unused)


def figure(found: Light) -> Chart | None:
    """Draw the share of plants that each occupant holds over openness."""
    if "curve" not in found.tables:
        return None
    kinds = found.about.kinds
    names = [*(k for k in kinds if k != VACANT), *(k for k in kinds if k == VACANT)]
    words = Words(
        "Who lives at which light",
        f"Share of plants held by {', '.join(names)} over canopy openness, fitted with 95 % bands, and observed.",
        "Canopy openness (%)",
        "Share of plants",
    )
    points_ = light_tables.observed(found.tables["by_openness"], kinds)
    low, high = found.about.span
    points_ = points_.filter(pl.col("x").is_between(low, high))
    top = float(found.tables["curve"].select(pl.max_horizontal("y", "high").max()).item())
    return fitted(found.tables["curve"], points_, names, words, limits=(0.0, float(np.ceil(10 * top) / 10)))


def sentence(found: Light, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words, with the interval and the gravest doubt."""
    if found.too_little:
        return found.too_little
    ends = found.about.ends
    shown = [e for e in found.effects if e.name == "share_difference" and e.of != VACANT]
    clear = [e for e in shown if e.low > 0 or e.high < 0]
    parts = [_moved(e, ends) for e in clear]
    rest = [e.of for e in shown if e not in clear]
    if rest:
        least = "; ".join(_interval(e) for e in shown if e not in clear)
        parts.append(
            f"No difference between light and shade was shown for {_listed(rest)} (95 % intervals {least} percentage "
            "points)."
        )
    optima = [e for e in found.effects if e.name == "light_optimum" and e.of != VACANT]
    parts += [_optimum(e) for e in optima if np.isfinite([e.low, e.high]).all()]
    parts += _chance(found)
    grave = [d for d in why_doubt if d.severity != "note"]
    return " ".join(parts) + (f" But: {grave[0].text}" if grave else "")


def _moved(e: Effect, ends: tuple[float, float]) -> str:
    more = "more" if e.estimate > 0 else "fewer"
    return (
        f"{e.of} held {points(abs(e.estimate))} {more} of the plants at {ends[1]:g} % canopy openness than at "
        f"{ends[0]:g} % (95 % interval {_interval(e)})."
    )


def _interval(e: Effect) -> str:
    low, high = e.low, e.high
    if high < 0:
        low, high = -high, -low
    return f"{number(100 * low)} to {number(100 * high)}"


def _optimum(e: Effect) -> str:
    return f"{e.of} was commonest at {number(e.estimate)} % (95 % interval {number(e.low)} to {number(e.high)} %)."


def _chance(found: Light) -> list[str]:
    table = found.tables.get("overlap_and_chance")
    if table is None:
        return []
    _, _, seen, chance, less, more, n = table.row(-1)
    both = min(1.0, 2.0 * min(less, more))
    against = f"overlap {number(seen)} against {number(chance)} expected"
    p = f"two-sided p {number(both)}, {n:,} arrangements"
    if both > 0.05:
        return [f"No difference from chance within blocks was shown in how ants overlap in light ({against}; {p})."]
    how = "less" if less < more else "more"
    return [f"Within blocks, two ants overlap {how} in light than occupants dealt by chance would ({against}; {p})."]


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _has_openness(data: StudyData) -> bool:
    return data.table("visit")["openness_pct"].count() > 0


def _has_looks(data: StudyData) -> bool:
    return data.table("occupancy").height > 0


QUESTION = Question(
    code="light",
    asks="Which ant at which light?",
    needs=(
        Need("visits with the canopy openness above the plant", _has_openness),
        Need("looks for ants on those plants (occupancy)", _has_looks),
    ),
    sources=(
        "Agresti A 2002. Categorical Data Analysis, 2nd ed. Wiley.",
        "Liang KY, Zeger SL 1986. Longitudinal data analysis using generalized linear models. Biometrika 73:13-22.",
        "Schoener TW 1968. The Anolis lizards of Bimini: resource partitioning in a complex fauna. Ecology 49:704-726.",
        "Pianka ER 1973. The structure of lizard communities. Annu. Rev. Ecol. Syst. 4:53-74.",
        "Horn HS 1966. Measurement of 'overlap' in comparative ecological studies. Am. Nat. 100:419-424.",
    ),
    method=(
        "The occupant of each plant (vacant or an ant) at its first look, before any removal, was related to canopy "
        "openness by a multinomial logit with natural cubic splines; standard errors were clustered by block "
        "(leaving out one block at a time). Optima, with intervals from inverting the test of a level curve, means, "
        "breadths and overlaps (Schoener, Pianka, Morisita-Horn) were read from the curves as if plants were equally "
        "common at every openness. Overlaps over classes of openness were compared with those after permuting "
        "occupants within blocks."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)

__all__ = ["QUESTION", "Light"]
