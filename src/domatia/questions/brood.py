"""Does the enemy match its brood to the plant?

What is measured
----------------
A brood of a specialist enemy (``brood.enemy``): its eggs (``brood.eggs``; a plant looked at in vain has nought, a blank
is no nought), the larvae that hatched (``brood.larvae``), how many survived (``brood.survivors``), and the leaf at
their disposal (``brood.leaf_area_cm2``). Ants are those seen at or before the brood (``occupancy.taxon``).

Model
-----
Crowding: of n larvae at density x (larvae for each 100 cm2 of leaf) the chance of surviving is
p = p0 / (1 + (x / c)^b), survivors beta-binomial. b = 1 is contest: survivors level off. b above 1 leads to scramble:
survivors fall beyond the density c (b - 1)^(-1 / b), where a brood does best. b without end is total failure past the
capacity c. The exponent's interval is that of the profile likelihood, widened for broods of one block being alike.
Matching: with the same ants the mean size of broods goes as leaf area to the power g: 1 is in proportion, 0 none.
Eggs: ratio of mean eggs a plant (plants without eggs are data), odds of any eggs, and ratio of eggs where any were
laid, with a defending ant against none as occupied, at equal leaf area, and as assigned. Intervals are clustered by
block.

When not to use it
------------------
When larvae move between plants, or survivors are counted on another day than they leave. Densities were not given by a
draw: if the enemy lays more on plants on which its larvae do well, crowding looks weaker than it is.

Example
-------
>>> from domatia.questions.brood import QUESTION
>>> QUESTION.asks
'Does the enemy match its brood to the plant?'

References
----------
Maynard Smith & Slatkin 1973, Ecology 54:384-391; Bellows 1981, J. Anim. Ecol. 50:139-156 (families compared); Nicholson
1954, Aust. J. Zool. 2:9-65 (contest and scramble); Lack 1947, Ibis 89:302-352 (the brood that does best); Liang & Zeger
1986, Biometrika 73:13-22.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.figures.fitted import fitted
from domatia.figures.style import Words
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import brood_numbers as numbers
from domatia.questions.brood_doubts import brood_doubts
from domatia.questions.brood_tables import GROUP, share_above, tables
from domatia.questions.wording import bounds, number, share

_SCRAMBLE = 3.0
"""An exponent of crowding above this is near scramble: nearly all die past capacity."""


@dataclass(frozen=True)
class Matched:
    """What the brood question found; see `domatia.model.question.Found`."""

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: numbers.Material
    unused: tuple[str, ...] = ()


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Matched:
    """Estimate crowding, matching and the eggs laid with and without ants.

    Parameters
    ----------
    data : StudyData
    ask : Ask
        `by` replaces the treatments; covariates are not used here.
    rng : numpy Generator
        Not used: the intervals have formulas.

    Raises
    ------
    WrongUse
        If the field given with --by does not exist or cannot be used.
    """
    about = numbers.gather(data, ask)
    unused = tuple(f"--adjust {name}" for name in ask.adjust)
    found, rows = numbers.effects(about), about.rows_used()
    if not found:
        why = "; ".join(about.why.values())
        text = f"Too little to answer: {rows}. {why[:1].upper()}{why[1:]}."
        return Matched((), {}, rows, text, about, unused)
    told = {} if ask.only_effects else tables(about)
    return Matched((replace(found[0], main=True), *found[1:]), told, rows, "", about, unused)


def doubts(data: StudyData, found: Matched) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    return brood_doubts(data, found.about, found.unused)


def figure(found: Matched) -> Chart | None:
    """Draw survivors over larvae, both for each 100 cm2 of leaf."""
    if "crowding_curve" not in found.tables:
        return None
    words = Words(
        "Survivors of crowded broods",
        "Survivors over larvae for each 100 square centimetres of leaf: fitted curve with its 95 % band, and classes "
        "with as many broods each.",
        "Larvae for each 100 cm² of leaf",
        "Survivors for each 100 cm² of leaf",
    )
    return fitted(found.tables["crowding_curve"], found.tables["crowding_seen"], (GROUP,), words)


def sentence(found: Matched, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words."""
    if found.too_little:
        return found.too_little
    told = [_match(found), _crowding(found), _eggs(found)]
    grave = [d for d in why_doubt if d.severity != "note"]
    return " ".join(t for t in told if t) + (f" But: {grave[0].text}" if grave else "")


def _match(found: Matched) -> str:
    e = next((e for e in found.effects if e.name == "match_exponent"), None)
    if e is None:
        return ""
    if e.low <= 0.0 <= e.high:
        how = "no matching was shown: broods were about as large on small plants as on large ones"
    elif e.high < 0.0:
        how = "broods were smaller the more leaf there was"
    elif e.high < 1.0:
        how = "broods were larger where there was more leaf, but less than in proportion"
    else:
        how = "broods were larger where there was more leaf, " + (
            "about in proportion to it" if e.low <= 1.0 else "more than in proportion to it"
        )
    how = how[:1].upper() + how[1:]
    return f"{how} (exponent {number(e.estimate)}, 95 % interval {bounds(e)}; 1 would be in proportion, 0 not at all)."


def _crowding(found: Matched) -> str:
    c = found.about.crowded
    if c is None:
        return ""
    named = {e.name: e for e in found.effects}
    alone = named["survival_uncrowded"]
    if not c.shown:
        return f"No crowding was shown; {share(alone.estimate)} of larvae survived ({bounds(alone, share)})."
    b = named["crowding_exponent"]
    if b.high < 1.0:
        how = "crowding costs less than contest (1)"
    elif b.low <= 1.0:
        how = "which agrees with contest (1)"
        if b.high > _SCRAMBLE:
            how += "; scramble is not ruled out either"
    else:
        how = "beyond contest (1): survivors fall where broods are too dense"
        if np.isinf(b.high):
            how += ", and total failure past capacity is not ruled out"
    ends = f"{number(b.low)} or more" if np.isinf(b.high) else bounds(b)
    text = f"Crowding has the exponent {number(b.estimate)} (95 % interval {ends}), {how}."
    best = named.get("best_density")
    if best is None or b.low <= 1.0:
        return text
    return (
        f"{text} A brood does best with {number(best.estimate)} larvae for each 100 cm² of leaf ({bounds(best)}); "
        f"{share(share_above(c, best.estimate))} of broods were denser."
    )


def _eggs(found: Matched) -> str:
    own = [e for e in found.effects if e.name == "eggs_ratio"]
    told = []
    for e in own[:2]:
        what = f"{number(e.estimate)} times as many eggs a plant ({bounds(e)})"
        if e.where == numbers.AS_OCCUPIED:
            who = "plants with a defending ant bore", "plants without ants"
        else:
            who = f"{e.of} plants bore", f"{e.against} plants"
        unsure = ", no difference being shown," if e.low <= 1.0 <= e.high else ""
        told.append(f"{e.where.capitalize()}, {who[0]}{unsure} {what} as {who[1]}.")
    return " ".join(told)


def _broods_there(data: StudyData) -> bool:
    return data.table("brood").height > 0


def _counted(data: StudyData) -> bool:
    table = data.table("brood")
    return bool(table["eggs"].count() or table["larvae"].count())


QUESTION = Question(
    code="brood",
    asks="Does the enemy match its brood to the plant?",
    needs=(
        Need("broods of an enemy on plants", _broods_there),
        Need("eggs, or larvae with their survivors and leaf area", _counted),
    ),
    sources=(
        "Maynard Smith J, Slatkin M 1973. The stability of predator-prey systems. Ecology 54:384-391.",
        "Bellows TS 1981. The descriptive properties of some models for density dependence. J. Anim. Ecol. 50:139-156.",
        "Nicholson AJ 1954. An outline of the dynamics of animal populations. Aust. J. Zool. 2:9-65.",
        "Lack D 1947. The significance of clutch-size. Ibis 89:302-352.",
        "Liang KY, Zeger SL 1986. Longitudinal data analysis using generalized linear models. Biometrika 73:13-22.",
    ),
    method=(
        "Survival of larvae was modelled as p0 / (1 + (x / c)^b) of their density on the leaf, with beta-binomial "
        "variation between broods; the exponent's interval is that of the profile likelihood, widened for blocks, and "
        "the family was held against contest, total failure past capacity and no crowding. Mean brood size was "
        "modelled on log leaf area, and eggs with and without ants by ratios of means over all plants looked at, by "
        "the odds of any eggs and by the eggs where any were laid, with standard errors clustered by block."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)
