"""What could mislead in a synthesis."""

from collections.abc import Mapping, Sequence

import polars as pl

from domatia.model import Doubt
from domatia.questions.synthesis_effects import OWN
from domatia.questions.synthesis_numbers import Part
from domatia.questions.wording import number, share

FEW_STUDIES = 5
MUCH = 0.75
LEANS = 0.1


def synthesis_doubts(parts: Sequence[Part], tables: Mapping[str, pl.DataFrame]) -> tuple[Doubt, ...]:
    """Gather the doubts about all that was pooled.

    Parameters
    ----------
    parts : sequence of Part
    tables : mapping of str to polars.DataFrame
    """
    found = [Doubt("direction", "note", "All effects are given as plants without ants against plants with ants.")]
    for part in parts:
        if part.pooled is not None:
            found += _of_part(part)
    if "without_each" in tables:
        found += _by_one(parts, tables["without_each"])
    stale = sum(int(p.effects["stale"].sum()) for p in parts)
    if stale:
        text = f"{stale} of the kept answers are stale: records behind them changed since. Ask again and keep them."
        found.append(Doubt("stale", "warning", text))
    return tuple(found)


def _of_part(part: Part) -> list[Doubt]:
    pooled, found = part.pooled, []
    if pooled is None:
        return []
    what = f"{part.name.replace('_', ' ')} for {part.where}"
    studies = part.effects["study"].n_unique()
    if studies == 1:
        text = (
            f"The {what} comes from the parts of one study: one crew, one design and one set of years stand behind all "
            "of it, so that it says nothing of other studies."
        )
        found.append(Doubt("one_study", "warning" if part.effects["study"][0] == OWN else "note", text))
    elif pooled.studies < FEW_STUDIES:
        text = f"The {what} rests on {studies} studies; the variance between them is poorly known."
        found.append(Doubt("few_studies", "warning", text))
    if 1 < studies < part.effects.height and len(pooled.tau2) == 1:
        text = f"Several effects of one study were counted as if they were independent ({what})."
        found.append(Doubt("not_independent", "warning", text))
    if pooled.i2 > MUCH:
        text = (
            f"Studies differ: {share(pooled.i2)} of the scatter of the {what} is more than chance. The mean describes "
            "no single place; look at the interval of a further study."
        )
        found.append(Doubt("studies_differ", "note", text))
    if part.leaning is not None and part.leaning[2] < LEANS:
        text = (
            f"Small studies give other effects than large ones ({what}; p = {number(part.leaning[2])}): studies that "
            "showed nothing may never have been published."
        )
        found.append(Doubt("small_studies", "warning", text))
    if part.measure == "difference as published":
        text = "Published differences are pooled as they stand; whether all have one unit cannot be told."
        found.append(Doubt("units", "warning", text))
    return found


def _by_one(parts: Sequence[Part], without: pl.DataFrame) -> list[Doubt]:
    """Name the studies without which the answer would read otherwise."""
    found = []
    for part in parts:
        if part.pooled is None:
            continue
        none = 1.0 if part.logged else 0.0
        low, high = (float(v[0]) for v in (part.pooled.low, part.pooled.high))
        shown = low > 0 or high < 0
        rows = without.filter((pl.col("outcome") == part.where) & (pl.col("measure") == part.name.replace("_", " ")))
        apart = (pl.col("low") > none) | (pl.col("high") < none)
        names = rows.filter(apart != shown)["without"].to_list()
        if names:
            told = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
            other = "no difference would be shown" if shown else "a difference would be shown"
            text = f"Without {told} alone, {other} for {part.where}: the answer hangs on single studies."
            found.append(Doubt("hangs_on_one", "warning", text))
    return found
