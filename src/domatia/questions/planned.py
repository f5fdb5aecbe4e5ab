"""Was an answer planned? What was stated beforehand, against what was asked."""

import re
from collections.abc import Mapping, Sequence
from typing import Literal

import polars as pl

from domatia.model import Ask, Effect, StudyData

Planned = Literal["planned", "found later"]


def planned(data: StudyData, code: str, ask: Ask, effects: Sequence[Effect]) -> Planned:
    """Tell whether an answer is the one that was planned.

    It is if its question was stated no later than the day on which the first plant was treated, it was put as it
    stands (no other field to compare by, no covariate, nothing pooled), and its main contrast is the one stated, where
    one was stated: "removal against sham" names roles or treatments.

    Parameters
    ----------
    data : StudyData
    code : str
        The question.
    ask : Ask
    effects : sequence of Effect
        The main effect first.
    """
    stated = data.table("intention").filter(pl.col("question") == code)
    if stated.is_empty() or ask.by not in ("", "treatment") or ask.adjust or ask.pool or ask.only:
        return "found later"
    start = data.table("assignment")["start_earliest"].drop_nulls().to_list()
    if start:
        stated = stated.filter(pl.col("stated_latest") <= min(start))
    roles = dict(data.table("treatment").select("name", "role").iter_rows())
    fits = any(_same_contrast(c, effects, roles) for c in stated["contrast"].to_list())
    return "planned" if fits else "found later"


def _same_contrast(contrast: str | None, effects: Sequence[Effect], roles: Mapping[str, str]) -> bool:
    """Tell whether the main effect compares what was stated; without words for it, any will do."""
    if not (contrast or "").strip() or not effects or not effects[0].against:
        return True
    sides = re.split(r"\s+(?:against|versus|vs\.?)\s+", (contrast or "").strip().lower())
    if len(sides) != 2:
        return False
    main = (effects[0].of, effects[0].against)
    return all(side in (name.lower(), roles.get(name, "")) for side, name in zip(sides, main, strict=True))
