"""How much leaf is saved?

What is measured
----------------
The share of each leaf that is missing (``leaf.missing_pct``, or ``leaf.damage_class`` with its table's limits). Marked
leaves (``leaf.chosen``) are scored again later; a leaf that is gone has a fate (``leaf.fate``). Leaves scored once are
kept apart: leaves that were eaten up can no longer be chosen, so such scores understate the loss.

Model
-----
Leaves marked when the treatment began are compared a year later (or after the time that they were followed), on plants
then alive, on a straight line between the looks around that day. Each plant counts once, with the mean of its leaves;
intervals come from leaving out one block at a time. A vanished leaf is counted by its recorded fate (eaten 100 %,
dropped left out, unknown ones by the share eaten among the known), as all dropped, and as all eaten. Effects: the
difference in percentage points and log(mean of / mean against). Beside them, ending in "_model", the same averaged over
plants from a mixed model of single leaves, logit of the expected share = group + plant + block: beta-binomial for
percentages, cumulative logit for classes, whose numbers are never averaged.

When not to use it
------------------
When leaves were chosen because they were damaged. As-occupied differences are no experiment.

Example
-------
>>> from domatia.questions.damage import QUESTION
>>> QUESTION.asks
'How much leaf is saved?'

References
----------
Filip et al. 1995, Biotropica 27:78-86 (marked leaves against leaves scored once); Skellam 1948, J. R. Stat. Soc. B
10:257-261 (beta-binomial); McCullagh 1980, J. R. Stat. Soc. B 42:109-142 (ordered classes); Hedges et al. 1999,
Ecology 80:1150-1156 (log response ratio); MacKinnon & White 1985, J. Econometrics 29:305-325 (jackknife).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.figures.curves import curves
from domatia.figures.style import Words
from domatia.histories.leaves import ALL_DROPPED, ALL_EATEN, BY_FATE
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import damage_numbers as numbers
from domatia.questions.damage_doubts import damage_doubts
from domatia.questions.damage_model import modelled
from domatia.questions.damage_tables import tables_of
from domatia.questions.wording import bounds, group

LEAST_PLANTS = 10
_HARMLESS = ("singular", "one_group", "rare_class", "no_overdispersion")


@dataclass(frozen=True)
class Damage:
    """What the damage question found; see `domatia.model.question.Found`.

    Attributes
    ----------
    about : Material
    residue : int
        Scores made while insecticide may still have worked.
    notes : tuple of str
        What the mixed model had to say, each ``"code: sentence"``.
    """

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: numbers.Material
    residue: int = 0
    notes: tuple[str, ...] = ()


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Damage:
    """Estimate missing shares, their differences and log ratios.

    Parameters
    ----------
    data : StudyData
    ask : Ask
    rng : numpy Generator
        Not used: the intervals have formulas.

    Raises
    ------
    WrongUse
        If a field given with --by or --adjust does not exist or cannot be used.
    """
    about = numbers.gather(data, ask)
    rows = about.rows_used()
    enough = rows.plants >= LEAST_PLANTS and len(about.names) > 1 and about.clusters > 1
    standing = numbers.standing_effects(about) if enough else []
    if not enough or not (about.has_marked or standing):
        blocks = f"{about.clusters} block{'s' if about.clusters != 1 else ''}"
        why = (
            f"Too little to answer: leaves of {rows.plants} plants can be compared, in {len(about.names)} groups and "
            f"{blocks}. At least {LEAST_PLANTS} plants, two groups of {numbers.LEAST_A_GROUP} and two blocks are "
            "needed."
        )
        return Damage((), {}, rows, why, about)
    marked = numbers.marked_effects(about) if about.has_marked else []
    count, without = numbers.without_residue(data, about) if about.has_marked else (0, [])
    model = modelled(about)
    held = numbers.as_occupied(data, about) if about.has_marked else []
    every = (*marked, *model.effects, *without, *standing, *held)
    effects = (replace(every[0], main=True), *every[1:])
    tables = {} if ask.only_effects else {**tables_of(about), "spread": model.components}
    return Damage(effects, tables, rows, "", about, count, model.notes)


def doubts(data: StudyData, found: Damage) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    told = [_of_the_model(n) for n in found.notes]
    return (*told, *damage_doubts(data, found.about, found.effects, found.residue))


def _of_the_model(note: str) -> Doubt:
    code, text = note.split(": ", 1)
    return Doubt("fit", "note" if code in _HARMLESS else "warning", f"In the mixed model {text.rstrip('.')}.")


def figure(found: Damage) -> Chart | None:
    """Draw the share missing of marked leaves over time, one curve a group."""
    if "curve" not in found.tables or found.tables["curve"].is_empty():
        return None
    words = Words(
        "Leaf missing from marked leaves",
        f"Mean share missing of marked leaves over time on {', '.join(found.about.names)} plants, with 95 % bands.",
        "Months since marking",
        "Leaf area missing (%)",
    )
    return curves(found.tables["curve"], found.about.names, words, stepped=False, limits=None)


def sentence(found: Damage, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words."""
    if found.too_little:
        return found.too_little
    main, column = found.effects[0], found.about.groups.column
    one, other = group(column, main.of), group(column, main.against)
    ends = f"95 % interval {main.low:.1f} to {main.high:.1f}"
    months = numbers.MONTHS * found.about.years
    what = f"{months:.0f} months after marking" if found.about.has_marked else "in leaves scored once"
    if main.low > 0 or main.high < 0:
        way = "more" if main.estimate > 0 else "less"
        text = (
            f"{one[:1].upper()}{one[1:]} had {abs(main.estimate):.1f} percentage points {way} of their leaf missing "
            f"than {other} {what} ({ends})."
        )
    else:
        text = (
            f"No difference in leaf missing was shown between {one} and {other} {what}: {main.estimate:.1f} percentage "
            f"points ({ends})."
        )
    text += _beside(found, main)
    grave = [d for d in why_doubt if d.severity != "note"]
    return text + (f" But: {grave[0].text}" if grave else "")


def _beside(found: Damage, main: Effect) -> str:
    """Give the two bounds for vanished leaves and the model's value."""
    same = [e for e in found.effects if e.name == main.name and (e.of, e.against) == (main.of, main.against)]
    by = {v: e for e in same for v in (ALL_DROPPED, ALL_EATEN) if e.where.startswith(v)}
    text = ""
    if len(by) == 2 and main.where.startswith(BY_FATE):
        dropped, eaten = by[ALL_DROPPED], by[ALL_EATEN]
        text = (
            f" If all vanished leaves had dropped it would be {dropped.estimate:.1f} ({bounds(dropped, _one)}), if all "
            f"had been eaten {eaten.estimate:.1f} ({bounds(eaten, _one)})."
        )
        if not min(dropped.estimate, eaten.estimate) <= main.estimate <= max(dropped.estimate, eaten.estimate):
            text += (
                " By recorded fate it lies outside these two, as leaves vanished for other reasons in the one group."
            )
    model = next((e for e in found.effects if e.name == f"{main.name}_model" and e.of == main.of), None)
    if model is not None:
        text += f" The mixed model of single leaves puts it at {model.estimate:.1f} ({bounds(model, _one)})."
    return text


def _one(value: float) -> str:
    return f"{value:.1f}"


def _has_scores(data: StudyData) -> bool:
    scored = pl.col("missing_pct").is_not_null() | pl.col("damage_class").is_not_null()
    return data.table("leaf").filter(scored).height > 0


def _has_groups(data: StudyData) -> bool:
    return data.table("assignment")["treatment"].n_unique() > 1 or data.table("plant").height > 0


QUESTION = Question(
    code="damage",
    asks="How much leaf is saved?",
    needs=(
        Need("leaves scored for the share missing (leaf.missing_pct or leaf.damage_class)", _has_scores),
        Need("treatments given to plants, or a field of the plants to compare by (--by)", _has_groups),
    ),
    sources=(
        "Filip V, Dirzo R, Maass JM, Sarukhan J 1995. Within- and among-year variation in the levels of herbivory on "
        "the foliage of trees from a Mexican tropical deciduous forest. Biotropica 27:78-86.",
        "Skellam JG 1948. A probability distribution derived from the binomial distribution by regarding the "
        "probability of success as variable between the sets of trials. J. R. Stat. Soc. B 10:257-261.",
        "McCullagh P 1980. Regression models for ordinal data. J. R. Stat. Soc. B 42:109-142.",
        "Hedges LV, Gurevitch J, Curtis PS 1999. The meta-analysis of response ratios in experimental ecology. "
        "Ecology 80:1150-1156.",
        "MacKinnon JG, White H 1985. Some heteroskedasticity-consistent covariance matrix estimators with improved "
        "finite sample properties. J. Econometrics 29:305-325.",
    ),
    method=(
        "The missing share of marked leaves was interpolated to one year after marking and averaged by plant; group "
        "means, their differences and log response ratios have intervals from leaving out one block at a time. Leaves "
        "that vanished were counted by recorded fate, as all dropped and as all eaten. Single leaves were also "
        "modelled with plants within blocks random (beta-binomial for percentages, cumulative logit for classes; "
        "Laplace approximation), contrasts averaged over plants and standard errors from leaving out one "
        "block at a time (one step). Leaves scored once were averaged by plant and kept apart."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)
