"""Does the larger colony win, and by which law?

What is measured
----------------
A fight is between two colonies (``fight.colony_a``, ``fight.colony_b``), each of an ant (``colony.taxon``), with
workers counted on both sides (``fight.workers_a``, ``fight.workers_b``), the dead of both (``fight.dead_a``,
``fight.dead_b``) and the side that won (``fight.winner``), or none. Staged and natural fights (``fight.staged``) are
answered apart. A fight stopped by the clock or disturbed (``fight.ended``) has no winner, whatever is written; its dead
still count. Staged fights say which side was carried to the other (``fight.carried``).

Model
-----
Outcome: of decided fights, the chance that the first side wins is 1 / (1 + exp(-(s log(a / b) + q))), a and b being
the workers, q the difference of the two ants and of being at home; no intercept, so that it does not matter which side
is called a. Two sides of one ant win 95 fights in 100 at the ratio exp(2.944 / s).
Law: ability of n workers is R n^theta; the next to die is of the second side with chance
1 / (1 + exp(-((theta - 1) log(m / n) + log(R1 / R2)))), m and n being those still alive. theta = 1 is the linear law,
2 the square law. Fitted to the final losses by their exact likelihood over all orders of deaths.
Ranks: strengths of ants as they met, with ties (Davidson's model), and David's score.
Intervals take fights that share a colony, on either side, as dependent.

When not to use it
------------------
The slope s is no attrition exponent: under the linear law it reads 3.7 with 10 workers and 17 with 200. One fight's
final losses cannot tell R from theta: that needs fights at several ratios of workers. Not for fights in which workers
joined while it lasted.

Example
-------
>>> from domatia.questions.fights import QUESTION
>>> QUESTION.asks
'Does the larger colony win, and by which law?'

References
----------
Lanchester 1916, Aircraft in Warfare; Franks & Partridge 1993, Anim. Behav. 45:197-199; Adams & Mesterton-Gibbons 2003,
Behav. Ecol. 14:719-723; Plowes & Adams 2005, Proc. R. Soc. B 272:1809-1814; Davidson 1970, JASA 65:317-328; David
1987, Biometrika 74:432-436; Aronow, Samii & Assenova 2015, Polit. Anal. 23:564-577 (fights that share a colony).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.figures.fitted import fitted
from domatia.figures.style import Words
from domatia.histories.fights import STAGED
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import fights_numbers as numbers
from domatia.questions.fights_doubts import fights_doubts
from domatia.questions.fights_tables import tables
from domatia.questions.wording import bounds, number, share

_TICKS = (1, 1.5, 2, 3, 5, 8, 12, 20, 40, 80)


@dataclass(frozen=True)
class Fought:
    """What the fights question found; see `domatia.model.question.Found`."""

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: numbers.Material
    unused: tuple[str, ...] = ()


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Fought:
    """Estimate the outcome curve, the attrition law and the ranks of the ants.

    Parameters
    ----------
    data : StudyData
    ask : Ask
        Groups and covariates are not used here; a doubt says so.
    rng : numpy Generator
        Not used: the intervals have formulas.
    """
    about = numbers.gather(data)
    given = (("--by", ask.by), ("--adjust", ", ".join(ask.adjust)))
    unused = tuple(f"{option} {name}" for option, name in given if name)
    found = numbers.effects(about)
    rows = about.rows_used()
    if not found:
        return Fought((), {}, rows, _too_little(about, rows), about, unused)
    told = {} if ask.only_effects else tables(about)
    return Fought((replace(found[0], main=True), *found[1:]), told, rows, "", about, unused)


def _too_little(about: numbers.Material, rows: Rows) -> str:
    left = sum(len(v) for v in rows.left_out.values())
    more = f" {left} more could not be used." if left else ""
    why = "; ".join(f"{p.kind}: {p.why[k]}" for p in about.parts for k in ("outcome", "attrition") if k in p.why)
    return f"Too little to answer: {rows}.{more}" + (f" {why[:1].upper()}{why[1:]}." if why else "")


def doubts(data: StudyData, found: Fought) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    return fights_doubts(data, found.about, found.unused)


def figure(found: Fought) -> Chart | None:
    """Draw the chance that the larger side wins over the ratio of workers."""
    if "outcome_curve" not in found.tables:
        return None
    table = found.tables["outcome_curve"]
    kinds = table["group"].unique(maintain_order=True).to_list()
    points = found.tables["observed"].filter(pl.col("group").is_in(kinds))
    most = float(np.asarray(table["x"].max()))
    words = Words(
        "Does the larger side win?",
        "Chance that the larger of two sides wins over the ratio of workers, curves with 95 % bands for sides of the "
        "same ant; points are shares of the fights fought, whatever the ants.",
        "Workers of the larger side for each of the smaller",
        "Share of fights that the larger side wins",
    )
    return fitted(table, points, kinds, words, limits=(0.0, 1.0), log_x=[t for t in _TICKS if t <= most])


def sentence(found: Fought, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words."""
    if found.too_little:
        return found.too_little
    told = []
    for part in found.about.parts:
        own = {e.name: e for e in found.effects if e.where == part.kind}
        told += [_outcome(part.kind, own), _law(part.kind, own)]
    top = _top(found)
    grave = [d for d in why_doubt if d.severity != "note"]
    return " ".join(t for t in (*told, top) if t) + (f" But: {grave[0].text}" if grave else "")


def _outcome(kind: str, own: Mapping[str, Effect]) -> str:
    e = own.get("win_chance_2_to_1")
    if e is None:
        return ""
    how = f"{share(e.estimate)} of decided fights (95 % interval {bounds(e, share)})"
    if e.low <= 0.5 <= e.high:
        return (
            f"In {kind} no effect of numbers was shown: with twice the workers, against its own kind, a side won {how}."
        )
    side = "larger" if e.estimate > 0.5 else "smaller"
    text = f"In {kind} the {side} side tended to win: with twice the workers, against its own kind, a side won {how}"
    need = own.get("worker_ratio_95")
    if need is None or side == "smaller":
        return text + "."
    return text + f"; to win 95 in 100 it needs {number(need.estimate)} times as many ({bounds(need)})."


def _law(kind: str, own: Mapping[str, Effect]) -> str:
    e = own.get("attrition_exponent")
    if e is None:
        return ""
    fits = [n for n, v in (("the linear law (1)", 1.0), ("the square law (2)", 2.0)) if e.low <= v <= e.high]
    if fits:
        place = f"which agrees with {' and with '.join(fits)}"
    elif e.high < 1.0:
        place = "below the linear law (1)"
    else:
        place = "above the square law (2)" if e.low > 2.0 else "between the linear law (1) and the square law (2)"
    return f"The dead of {kind} give an attrition exponent of {number(e.estimate)} ({bounds(e)}), {place}."


def _top(found: Fought) -> str:
    ranked = [p for p in found.about.parts if p.ranks is not None]
    if not ranked:
        return ""
    part = next((p for p in ranked if p.kind == STAGED), ranked[0])
    own = [e for e in found.effects if e.name == "dominance_odds_ratio" and e.where == part.kind]
    above, below = sorted(e.of for e in own if e.low > 1.0), sorted(e.of for e in own if e.high < 1.0)
    ant = found.about.reference
    told = [f"{' and '.join(above)} won more often than {ant}"] if above else []
    told += [f"{ant} won more often than {' and '.join(below)}"] if below else []
    if not told:
        return f"As they met in {part.kind}, no ant was shown to beat {ant} or to be beaten by it."
    return f"As they met in {part.kind}, {', and '.join(told)}."


def _fights_there(data: StudyData) -> bool:
    return data.table("fight").height > 0


def _sides_told(data: StudyData) -> bool:
    table = data.table("fight")
    counts = ("workers_a", "workers_b", "dead_a", "dead_b")
    return bool(table["winner"].count()) or all(table[c].count() for c in counts)


QUESTION = Question(
    code="fights",
    asks="Does the larger colony win, and by which law?",
    needs=(
        Need("fights between two named colonies", _fights_there),
        Need("the winner, or the workers and the dead of both sides", _sides_told),
    ),
    sources=(
        "Lanchester FW 1916. Aircraft in Warfare: the Dawn of the Fourth Arm. Constable, London.",
        "Franks NR, Partridge LW 1993. Lanchester battles and the evolution of combat in ants. Anim. Behav. "
        "45:197-199.",
        "Adams ES, Mesterton-Gibbons M 2003. Lanchester's attrition models and fights among social animals. "
        "Behav. Ecol. 14:719-723.",
        "Plowes NJR, Adams ES 2005. An empirical test of Lanchester's square law: mortality during battles of the fire "
        "ant Solenopsis invicta. Proc. R. Soc. B 272:1809-1814.",
        "Davidson RR 1970. On extending the Bradley-Terry model to accommodate ties in paired comparison experiments. "
        "JASA 65:317-328.",
        "David HA 1987. Ranking from unbalanced paired-comparison data. Biometrika 74:432-436.",
        "Aronow PM, Samii C, Assenova VA 2015. Cluster-robust variance estimation for dyadic data. Polit. Anal. "
        "23:564-577.",
    ),
    method=(
        "The outcome of decided fights was modelled by logistic regression without intercept on the log ratio of "
        "workers, the two ants and the side that was at home. The attrition exponent and the strength ratios of ants "
        "were estimated from the final losses of both sides by maximum likelihood over all orders of deaths. Ranks are "
        "strengths of Davidson's model with ties. Standard errors take fights that share a colony on either side as "
        "dependent. Staged and natural fights were analysed apart; fights stopped by the clock have no outcome."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
    ignores=("pool",),
    in_parts=False,
)
