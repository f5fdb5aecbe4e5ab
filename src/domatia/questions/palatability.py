"""Is the leaf itself defended?

What is measured
----------------
Leaves are offered to an animal (``palatability.consumer``, ``palatability.animal``) in a dish (``palatability.dish``):
area offered and area gone (``palatability.offered_cm2``, ``palatability.eaten_cm2``), and what an ungrazed control leaf
lost meanwhile (``palatability.control_loss_cm2`` of ``palatability.control_offered_cm2``, or of the same area). A dish
with leaves of two plants or sources (``palatability.plant``, ``palatability.leaf_source``) is a choice, one with leaves
of one a no-choice trial.

Model
-----
With m the share of the leaf that is gone and s that of its control, (m - s) / (1 - s) was eaten. Means of shares eaten
are compared between treatments of the plants and between sources: in choices over the dishes that hold both groups, so
that each dish is its own comparison; in no-choice trials over all leaves. The main number takes all consumers together;
each with six animals or more is also answered by itself. As a difference, as a ratio of means, and as
the difference in leaves eaten at all (more than 5 %). Intervals allow for an animal's appetite being its own and for
leaves of one block being alike: V = V(animal) + V(block) - V(both), t below 40 groups.

When not to use it
------------------
Choices show liking, not how much is eaten in the field. Where most leaves are eaten whole nothing can be told. A loss
that is larger in grazed than in whole leaves (wilting from the cut edge) stays in the share eaten.

Example
-------
>>> from domatia.questions.palatability import QUESTION
>>> QUESTION.asks
'Is the leaf itself defended?'

References
----------
Abbott 1925, J. Econ. Entomol. 18:265-267 (taking off what controls lost); Peterson & Renaud 1989, Oecologia 80:82-86
(feeding trials need controls of their own); Wilcoxon 1945, Biometrics Bull. 1:80-83; Cameron, Gelbach & Miller 2011, J.
Bus. Econ. Stat. 29:238-249 (errors over two groupings).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.figures.side_by_side import side_by_side
from domatia.figures.style import Words
from domatia.histories.feeding import CHOICE
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import palatability_numbers as numbers
from domatia.questions.palatability_doubts import palatability_doubts
from domatia.questions.palatability_tables import tables
from domatia.questions.wording import share


@dataclass(frozen=True)
class Palatability:
    """What the palatability question found; see `domatia.model.question.Found`."""

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: numbers.Material
    unused: tuple[str, ...] = ()


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Palatability:
    """Estimate shares eaten, their differences and ratios.

    Parameters
    ----------
    data : StudyData
    ask : Ask
        `by` may also be "leaf_source"; `adjust` is not used here, and a doubt says so.
    rng : numpy Generator
        Not used: the intervals have formulas.

    Raises
    ------
    WrongUse
        If a field given with --by does not exist or cannot be used.
    """
    about = numbers.gather(data, ask)
    rows = about.rows_used()
    unused = (f"--adjust {', '.join(ask.adjust)}",) if ask.adjust else ()
    found = numbers.effects(about)
    if not found:
        left = sum(len(v) for v in rows.left_out.values())
        why = (
            f"Too little to answer: {about.read.table.height} leaves with areas offered and eaten, {left} that could "
            f"not be used. At least {numbers.LEAST_LEAVES} leaves are needed in each of two groups (treatments of the "
            "plants, or sources of the leaves), fed to two animals or more, and not all eaten alike."
        )
        return Palatability((), {}, rows, why, about, unused)
    told = {} if ask.only_effects else tables(about)
    return Palatability((replace(found[0], main=True), *found[1:]), told, rows, "", about, unused)


def doubts(data: StudyData, found: Palatability) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    return palatability_doubts(data, found.about, found.effects, found.unused)


def figure(found: Palatability) -> Chart | None:
    """Draw the mean share eaten by group, in choices and alone."""
    if "share_eaten" not in found.tables:
        return None
    contrast = found.about.contrast_of(found.effects[0])
    table = found.tables["share_eaten"].filter(pl.col("compared_by") == contrast.column)
    names = [n for n in contrast.names if n in set(table["group"])]
    words = Words(
        "Share of the leaf eaten",
        f"Mean share of leaf area eaten, control loss taken off, for {', '.join(names)}, in choices and of leaves fed "
        "alone, with 95 % intervals.",
        "",
        "Mean share eaten",
    )
    return side_by_side(table, names, words)


def _leaves(column: str, name: str) -> str:
    if column == "treatment":
        return f"leaves of {name} plants"
    return f"leaves of {name}" if column == numbers.SOURCE else f"leaves of plants with {column} '{name}'"


def sentence(found: Palatability, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words."""
    if found.too_little:
        return found.too_little
    main = found.effects[0]
    kind = CHOICE if main.where.startswith(CHOICE) else "no choice"
    contrast = found.about.contrast_of(main)
    of, against = (main.of, main.against)
    rows = numbers.part(contrast, kind, (of, against))
    mean = {n: float(np.mean(rows.filter(pl.col("value") == n)["share"].to_numpy())) for n in (of, against)}
    how = "Given the choice, animals ate" if kind == CHOICE else "Fed one sort at a time, animals ate"
    one, other = (f"{share(mean[n])} of {_leaves(contrast.column, n)}" for n in (of, against))
    told, low, high = f"{one} and {other}", 100 * main.low, 100 * main.high
    if low > 0 or high < 0:
        near, far = sorted((abs(low), abs(high)))
        gap = f"{abs(100 * main.estimate):.0f} percentage points {'less' if main.estimate < 0 else 'more'}"
        text = f"{how} {told}: {gap} (95 % interval {near:.0f} to {far:.0f})."
    else:
        text = (
            f"No difference was shown: {how[:1].lower()}{how[1:]} {told}; the difference lies between {abs(low):.0f} "
            f"percentage points less and {abs(high):.0f} more (95 % interval)."
        )
    grave = [d for d in why_doubt if d.severity != "note"]
    return text + (f" But: {grave[0].text}" if grave else "")


def _fed(data: StudyData) -> bool:
    return data.table("palatability").height > 0


def _areas(data: StudyData) -> bool:
    table = data.table("palatability")
    return bool(table["offered_cm2"].count() and table["eaten_cm2"].count())


def _two_sorts(data: StudyData) -> bool:
    table = data.table("palatability")
    return table["leaf_source"].drop_nulls().n_unique() > 1 or table["plant"].drop_nulls().n_unique() > 1


QUESTION = Question(
    code="palatability",
    asks="Is the leaf itself defended?",
    needs=(
        Need("feeding trials with leaves", _fed),
        Need("the leaf area offered and eaten in feeding trials", _areas),
        Need("leaves of two sources, or of several plants, in feeding trials", _two_sorts),
    ),
    sources=(
        "Abbott WS 1925. A method of computing the effectiveness of an insecticide. J. Econ. Entomol. 18:265-267.",
        "Peterson CH, Renaud PE 1989. Analysis of feeding preference experiments. Oecologia 80:82-86.",
        "Wilcoxon F 1945. Individual comparisons by ranking methods. Biometrics Bull. 1:80-83.",
        "Cameron AC, Gelbach JB, Miller DL 2011. Robust inference with multiway clustering. J. Bus. Econ. Stat. "
        "29:238-249.",
    ),
    method=(
        "Shares of leaf area eaten were freed of what ungrazed control leaves lost (Abbott's formula). Mean shares "
        "were compared within dishes in choice trials and between dishes in no-choice trials, as differences, as "
        "ratios of means and as shares of leaves of which more than 5 % was eaten. Standard errors allow for animals "
        "fed in several dishes and for leaves from the same block (two-way clustering by leaving out one group at a "
        "time), with t quantiles below 40 groups. Consumers with six animals or more were also analysed apart. Paired "
        "t and signed-rank tests of the dishes stand beside."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)
