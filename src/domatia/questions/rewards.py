"""What does a colony cost, what does it save?

What is measured
----------------
Nectar as made in a bag with ants kept off (production) or as it stands (standing crop): ``nectar.volume_ul`` taken from
``nectar.nectaries`` of the ``nectar.nectaries_on_plant``, read as ``nectar.brix_pct`` at ``nectar.temperature_c`` with
the dilution ``nectar.dilution`` (volume after over before), production over ``nectar.bagged_h``. Food bodies: dry mass
``food_bodies.dry_mg`` of ``food_bodies.shoots`` in ``food_bodies.hours``. Domatia opened on plants on which the last
look at or before found patrolling ants (``occupancy.taxon``), with their workers (``dissection.workers``), and counted
on such plants (``visit.domatia``, the last such look). Measured apart and kept as quantities (``quantity.name``): "food
body energy" (J/mg), "domatium dry mass" (mg), and for what is saved "leaf area" (cm2 a leaf), "leaf mass per area"
(mg/cm2), "leaf energy" (J/mg).

Model
-----
Sugar in mg = volume x dilution x C / 100 x density(C), C the reading in per cent by weight at 20 °C (corrected unless
the instrument does); energy = 16.7 J a mg. Per plant and day: a nectary's (a shoot's) mean times their number on the
plant. The mean of a year gives each month measured the same weight; seasons are the profile's dry months and the
others. Workers of a plant = workers a domatium (mean over plants of a plant's mean) x domatia, x the quantity "worker
slope" where there is one (true on reckoned workers of plants opened whole). Leaf saved a day = (share of marked leaf
missing after a year on removal plants less that on sham plants, ``leaf.missing_pct``) x leaves a plant
(``visit.leaves``) x leaf area x mass x energy / 365.25. Intervals leave out one block at a time (plants below three
blocks); errors of quantities join by the delta method with Welch-Satterthwaite degrees of freedom. Standing crop is
never brought to a day.

When not to use it
------------------
When only standing crops were measured: they say what ants leave, not what the plant makes. When domatia were opened
only near the tip, or nectaries chosen because they were full. Opening domatia lets ants out that sting: gloves, nobody
alone, nobody with an allergy, and whatever the permit and the station's rules ask.

Example
-------
>>> from domatia.stats.sugar import joules, sugar_mg
>>> import numpy as np
>>> mg = sugar_mg(np.array([2.0]), np.array([25.0]))
>>> round(float(mg[0]), 4), round(float(joules(mg)[0]), 2)
(0.5516, 9.21)

References
----------
Prys-Jones & Corbet 1991, Bumblebees (2nd ed.), Richmond (density); Bolten et al. 1979, Oecologia 41:301-304 (per cent
by weight is not by volume); Corbet 2003, Apidologie 34:1-10 (measuring nectar); Heinrich 1975, Annu. Rev. Ecol. Syst.
6:139-170 (energy); Satterthwaite 1946, Biometrics Bull. 2:110-114; Kott 2001, J. Off. Stat. 17:521-526 (leaving out).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from domatia.figures.side_by_side import side_by_side
from domatia.figures.style import Words
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import rewards_numbers as numbers
from domatia.questions.rewards_doubts import rewards_doubts
from domatia.questions.rewards_tables import tables
from domatia.questions.wording import bounds, interval, number

_SEASONAL = {numbers.NECTAR: "nectar", numbers.FOOD: "dry mass of food bodies"}


@dataclass(frozen=True)
class Rewards:
    """What the rewards question found.

    Attributes
    ----------
    effects, tables, rows, too_little
        As `domatia.model.question.Found` says.
    about : Material
    unused : tuple of str
        Options that had no effect.
    """

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: numbers.Material
    unused: tuple[str, ...] = ()


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Rewards:
    """Put all rewards on one plant and one day.

    Parameters
    ----------
    data : StudyData
    ask : Ask
        `by` and `adjust` have no effect.
    rng : numpy Generator
        Not used: nothing here is random.
    """
    about = numbers.gather(data)
    unused = tuple(
        text for text, given in ((f"--by {ask.by}", ask.by), (f"--adjust {', '.join(ask.adjust)}", ask.adjust)) if given
    )
    why = numbers.enough(about)
    if why:
        return Rewards((), {}, about.rows_used(), why, about, unused)
    found = numbers.means(about)
    shown = {} if ask.only_effects else tables(data, about, found)
    return Rewards(numbers.effects_of(found), shown, about.rows_used(), "", about, unused)


def doubts(data: StudyData, found: Rewards) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    return () if found.too_little else rewards_doubts(data, found.about, found.unused)


def figure(found: Rewards) -> Chart | None:
    """Draw the energy given a day by month, nectar and food bodies side by side."""
    table = found.tables.get("months")
    if table is None or table.is_empty():
        return None
    names = [n for n in (numbers.NECTAR, numbers.FOOD) if n in set(table["group"])]
    words = Words(
        "Energy that a plant gives its ants",
        f"Joules per plant and day by month for {' and '.join(names)}, with 95 % intervals.",
        "Month",
        "J a plant and day",
    )
    return side_by_side(table, names, words)


def sentence(found: Rewards, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words, with the interval and the gravest doubt."""
    if found.too_little:
        return found.too_little
    main = found.effects[0]
    text = _told(main)
    of = {(e.name, e.where): e for e in found.effects}
    season = of.get(("season_ratio", numbers.NECTAR)) or of.get(("season_ratio", numbers.FOOD))
    if season is not None:
        shown = "" if season.low > 1 or season.high < 1 else "; no difference between seasons was shown"
        text += (
            f" In the dry months a plant gives {number(season.estimate)} times as much {_SEASONAL[season.where]} as in "
            f"the others ({bounds(season)}){shown}."
        )
    for e in found.effects:
        if e.name in ("workers_per_plant", "energy_standing") and e is not main and "months" not in e.where:
            text += f" {_told(e)}"
    leaf = of.get(("leaf_energy_saved", "leaf"))
    if leaf is not None:
        shown = "" if leaf.low > 0 or leaf.high < 0 else "; that ants save leaf was not shown"
        text += f" Leaf worth {number(leaf.estimate)} J a day is saved ({interval(leaf)}){shown}."
    ratio = of.get(("saved_to_given_ratio", "leaf"))
    if ratio is not None:
        text += f" That is {number(ratio.estimate)} times what is given as {ratio.against} ({bounds(ratio)})."
    grave = [d for d in why_doubt if d.severity != "note"]
    return text + (f" But: {grave[0].text}" if grave else "")


def _told(effect: Effect) -> str:
    value, ends = number(effect.estimate), interval(effect)
    words = {
        "energy_per_plant_day": f"A plant gives {value} J a day as {effect.where} ({ends}).",
        "dry_mass_per_plant_day": f"A plant gives {value} mg of dry food bodies a day ({ends}).",
        "energy_standing": f"At any moment {value} J stand in the nectaries of a plant ({ends}).",
        "workers_per_domatium": f"A domatium of a plant with patrolling ants holds {value} workers ({ends}).",
        "workers_per_plant": f"A plant with patrolling ants houses {value} workers ({ends}).",
    }
    return words.get(effect.name, f"{effect.name.replace('_', ' ')}: {value} {effect.unit} ({ends}).")


def _has_rewards(data: StudyData) -> bool:
    columns = (("nectar", "volume_ul"), ("food_bodies", "dry_mg"), ("dissection", "workers"))
    return any(data.table(kind)[column].count() for kind, column in columns)


QUESTION = Question(
    code="rewards",
    asks="What does a colony cost, what does it save?",
    needs=(Need("nectar volumes with readings, dry food bodies, or opened domatia with their workers", _has_rewards),),
    sources=(
        "Prys-Jones OE, Corbet SA 1991. Bumblebees. 2nd ed. Richmond, Slough.",
        "Bolten AB, Feinsinger P, Baker HG, Baker I 1979. On the calculation of sugar concentration in flower nectar. "
        "Oecologia 41:301-304.",
        "Corbet SA 2003. Nectar sugar content: estimating standing crop and secretion rate in the field. Apidologie "
        "34:1-10.",
        "Heinrich B 1975. Energetics of pollination. Annu. Rev. Ecol. Syst. 6:139-170.",
        "Satterthwaite FE 1946. An approximate distribution of estimates of variance components. Biometrics Bull. "
        "2:110-114.",
        "Kott PS 2001. The delete-a-group jackknife. J. Off. Stat. 17:521-526.",
    ),
    method=(
        "Refractometer readings were brought to 20 °C and, as per cent by weight, turned into sugar with the density "
        "of sucrose solutions, and into energy at 16.7 J a milligram. Nectar production, standing crop and food bodies "
        "were scaled to the whole plant and averaged with each month weighing alike; workers per plant with ants are "
        "those of its opened domatia, averaged by plant, times domatia; leaf saved is what removal plants lost more "
        "than sham plants in a year. "
        "Intervals leave out one block at a time, and the errors of quantities measured "
        "apart were joined by the delta method."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)

__all__ = ["QUESTION", "Rewards"]
