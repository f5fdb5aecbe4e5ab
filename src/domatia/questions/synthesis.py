"""Does it hold across sites, species and studies?

What is measured
----------------
Effects that are already known, each with its error: the study's own kept answers (``kept_answer.json``), best those
asked within each site, habitat or species, and published ones (``published_effect.estimate`` with
``published_effect.standard_error`` or an interval, or the means, deviations, numbers and events that give them). All
are turned to one direction: plants without ants against plants with ants, so that a hazard ratio above 1 says that
plants without ants die faster (``published_effect.treated`` says which came first in the source).

Model
-----
Random effects on the scale on which they add (log ratios, differences): y = mean + u + e, e ~ N(0, known variance),
u ~ N(0, tau2), tau2 by restricted maximum likelihood. Effects of one study form a level where three studies or more
give effects; effects that share a control (``published_effect.shared_control``) have correlated errors. The interval of
the mean is Knapp and Hartung's; that of a further study (its true effect) adds tau2. Only effects on one outcome and
one scale are pooled. With ``--by`` (site, year, host, taxon, study) effects are pooled by its values.

When not to use it
------------------
When studies were chosen for their results, or when fewer than three give an effect. A mean over effects that differ in
sign describes none of them: look at the interval of a further study.

Example
-------
>>> from domatia.questions.synthesis import QUESTION
>>> QUESTION.code
'synthesis'

References
----------
Viechtbauer 2005, J. Educ. Behav. Stat. 30:261-293 (REML); Knapp & Hartung 2003, Stat. Med. 22:2693-2710; Higgins et al.
2009, J. R. Stat. Soc. A 172:137-159 (prediction); Hedges et al. 1999, Ecology 80:1150-1156 (log response ratio);
Konstantopoulos 2011, Res. Synth. Methods 2:61-76 (levels); Lajeunesse 2011, Ecology 92:2049-2055 (shared controls).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from domatia.figures.estimates import estimates
from domatia.figures.style import Words
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData, WrongUse
from domatia.questions import synthesis_numbers as numbers
from domatia.questions.synthesis_doubts import synthesis_doubts
from domatia.questions.synthesis_effects import OWN, gather
from domatia.questions.wording import bounds, interval, number

TOO_FEW = "effect on an outcome and scale with fewer than three effects"


@dataclass(frozen=True)
class Synthesis:
    """What the synthesis found.

    Attributes
    ----------
    effects, tables, rows, too_little
        As `domatia.model.question.Found` says.
    parts : tuple of Part
        What was pooled, most effects first; also what has too few effects.
    """

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    parts: tuple[numbers.Part, ...]


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Synthesis:
    """Pool the effects of each outcome and scale.

    Parameters
    ----------
    data : StudyData
    ask : Ask
        `by` may name a field of the effects.
    rng : numpy Generator
        Not used: nothing here is random.

    Raises
    ------
    WrongUse
        If `by` is no field of an effect, or covariates are asked for.
    """
    if ask.by and ask.by not in numbers.FIELDS:
        raise WrongUse(f"--by {ask.by}: effects have no such field", numbers.FIELDS, name=ask.by)
    if ask.adjust:
        raise WrongUse("--adjust: effects of studies are not adjusted for covariates", next_step="Use --by FIELD.")
    table, out = gather(data)
    parts = numbers.parts_of(table, ask.by)
    pooled = [p for p in parts if p.pooled is not None]
    for p in parts:
        if p.pooled is None:
            out[TOO_FEW] = [*out.get(TOO_FEW, []), *p.effects["record_id"].to_list()]
    found = [e for i, p in enumerate(pooled) for e in numbers.effects_of(p, i == 0)]
    used = pl.concat([p.effects for p in pooled]) if pooled else table.clear()
    rows = _rows(used, {reason: sorted(ids) for reason, ids in out.items()})
    why = ""
    if not pooled:
        most = max((p.effects.height for p in parts), default=0)
        why = (
            f"Too little to answer: {table.height} effects are known, at most {most} of them on one outcome and scale; "
            f"{numbers.LEAST} are needed. Keep answers of parts of the study (domatia answer STUDY survival --within "
            "site --keep), or import a table of published effects."
        )
    tables = numbers.tables_of(pooled, left=not ask.only_effects) if pooled else {}
    return Synthesis(tuple(found), tables, rows, why, tuple(parts))


def _rows(used: pl.DataFrame, out: Mapping[str, Sequence[bytes]]) -> Rows:
    studies = used["study"].n_unique()
    ids = {kind[0]: sorted(part["record_id"].unique()) for kind, part in used.group_by("kind")}
    words = f"{used.height} effect{'' if used.height == 1 else 's'} of {studies} stud{'y' if studies == 1 else 'ies'}"
    plants = int(used["plants"].fill_null(0).sum()) if used.height else 0
    return Rows(plants, studies, 0, {str(k): v for k, v in sorted(ids.items())}, out, words)


def doubts(data: StudyData, found: Synthesis) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    return synthesis_doubts(found.parts, found.tables)


def figure(found: Synthesis) -> Chart | None:
    """Draw the effects of the main part, their mean, and where a further study lies."""
    part = next((p for p in found.parts if p.pooled is not None), None)
    if part is None or part.pooled is None:
        return None
    shown = np.exp if part.logged else np.asarray
    alone = (pl.len().over("study") == 1) & (pl.col("study") != OWN)
    named = part.effects.with_columns(
        name=pl.when(alone).then("study").otherwise(pl.concat_str("study", pl.lit(": "), "label"))
    ).sort("effect")
    half = 1.959964 * np.sqrt(named["variance"].to_numpy())
    middle = named["effect"].to_numpy()
    lines = [
        Effect(part.name, label, "", float(shown(m)), float(shown(m - h)), float(shown(m + h)))
        for label, m, h in zip(_unlike(named["name"].to_list()), middle, half, strict=True)
    ]
    mean, further = numbers.effects_of(part, main=True)
    ends = (
        Effect(part.name, "mean", "", mean.estimate, mean.low, mean.high),
        Effect(part.name, "true effect of a further one", "", further.estimate, further.low, further.high),
    )
    measure = part.name.replace("_", " ")
    words = Words(
        f"Effects on {part.where}: plants without ants against plants with ants",
        f"Each effect with its 95 % interval, their mean, and the interval of a further study; {measure}.",
        measure if part.unit == "1" else f"{measure} ({part.unit})",
    )
    return estimates([*lines, *ends], words, ratio=part.logged)


def _unlike(names: Sequence[str]) -> list[str]:
    """Add a number to names that occur more than once, since a figure has one line a name."""
    seen: dict[str, int] = {}
    found = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        found.append(name if names.count(name) == 1 else f"{name} ({seen[name]})")
    return found


def sentence(found: Synthesis, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words: the mean, and where a further study lies."""
    if found.too_little:
        return found.too_little
    mean, further = found.effects[0], found.effects[1]
    part = next(p for p in found.parts if p.pooled is not None)
    none = 1.0 if part.logged else 0.0
    effects, studies = part.effects.height, part.effects["study"].n_unique()
    over = f"{effects} effects of {studies} studies" if studies > 1 else f"{effects} parts of this study"
    unit = "" if part.unit == "1" else f" {part.unit}"
    measure = part.name.replace("_", " ")
    text = f"Over {over} the {measure} for {part.where}, plants without ants against plants with ants, is on average "
    text += f"{number(mean.estimate)}{unit} ({interval(mean)})"
    if mean.low <= none <= mean.high:
        text += "; no difference was shown"
    held = further.low > none or further.high < none
    another = "study" if studies > 1 else "part"
    text += f". The true effect of a further {another} is expected between {bounds(further)}".replace(" to ", " and ")
    text += (
        ", on the same side of no effect." if held else f", which includes no effect ({number(none)}) and the reverse."
    )
    grave = [d for d in why_doubt if d.severity != "note"]
    return text + (f" But: {grave[0].text}" if grave else "")


def _has_effects(data: StudyData) -> bool:
    return data.table("kept_answer").height + data.table("published_effect").height >= numbers.LEAST


QUESTION = Question(
    code="synthesis",
    asks="Does it hold across sites, species and studies?",
    needs=(
        Need("three effects or more: answers kept for parts of the study, or a table of published effects",
             _has_effects),
    ),
    sources=(
        "Viechtbauer W 2005. Bias and efficiency of meta-analytic variance estimators in the random-effects model. "
        "J. Educ. Behav. Stat. 30:261-293.",
        "Knapp G, Hartung J 2003. Improved tests for a random effects meta-regression with a single covariate. "
        "Stat. Med. 22:2693-2710.",
        "Higgins JPT, Thompson SG, Spiegelhalter DJ 2009. A re-evaluation of random-effects meta-analysis. "
        "J. R. Stat. Soc. A 172:137-159.",
        "Hedges LV, Gurevitch J, Curtis PS 1999. The meta-analysis of response ratios in experimental ecology. "
        "Ecology 80:1150-1156.",
        "Konstantopoulos S 2011. Fixed effects and variance components estimation in three-level meta-analysis. "
        "Res. Synth. Methods 2:61-76.",
        "Lajeunesse MJ 2011. On the meta-analysis of response ratios for studies with correlated and multi-group "
        "designs. Ecology 92:2049-2055.",
    ),
    method=(
        "Effects of the study's parts and of published studies were pooled by a random-effects model on the scale on "
        "which they add, with the variance between studies estimated by restricted maximum likelihood. Effects that "
        "share a control have correlated errors; several effects of one study form a level of their own. The interval "
        "of the mean follows Knapp and Hartung, and the interval for the true effect of a further study adds the "
        "variance between studies. All effects are given as plants without ants against plants with ants."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
    ignores=("pool",),
    in_parts=False,
    by_fields=numbers.FIELDS,
)  # fmt: skip

__all__ = ["QUESTION", "Synthesis"]
