"""The words of the associates question: the treatments, and the clearest of the other comparisons."""

from collections.abc import Sequence

import numpy as np

from domatia.model import Effect
from domatia.questions.wording import bounds, group, number

FEW_BLOCKS = 8
"""Below so many blocks exact odds ratios are told instead of differences of shares."""


def by_treatment(effects: Sequence[Effect], column: str) -> list[str]:
    """Tell the clearest kind with its numbers, the others that differ in words, and those without a difference shown.

    Parameters
    ----------
    effects : sequence of Effect
        The first tells which groups are compared.
    column : str
        What the groups are of, such as "treatment".
    """
    first = effects[0]
    own = [e for e in effects if e.name == "share_difference" and (e.of, e.against) == (first.of, first.against)]
    if not own:
        return []
    shown = sorted((e for e in own if _differs(e)), key=_clearness, reverse=True)
    of, against = group(column, own[0].of), group(column, own[0].against)
    if not shown:
        low, high = (number(100 * v) for v in (own[0].low, own[0].high))
        names = _listed([_plural(e.where) for e in own])
        return [
            f"No difference between {of} and {against} was shown for {names} ({_plural(own[0].where)}: "
            f"{number(100 * own[0].estimate)} percentage points, 95 % interval {low} to {high})."
        ]
    one = shown[0]
    low, high = _ends(one)
    text = (
        f"{_plural(one.where)} were found {number(abs(100 * one.estimate))} percentage points {_more(one)} often on "
        f"{of} than on {against} (95 % interval {low} to {high})"
    )
    for less in (True, False):
        like = [_plural(e.where) for e in shown[1:] if (e.estimate < 0) == less]
        if like:
            same = "too" if less == (one.estimate < 0) else f"{'less' if less else 'more'} often"
            text += f"; {_listed(like)} {same}"
    rest = [_plural(e.where) for e in own if not _differs(e)]
    text += f"; no difference was shown for {_listed(rest)}" if rest else ""
    return [f"{text[:1].upper()}{text[1:]}."]


def clearest(effects: Sequence[Effect], blocks: int) -> list[str]:
    """Tell the two clearest of the comparisons with vacant plants and of the pairs of kinds; 0 blocks if none known."""
    few = 0 < blocks < FEW_BLOCKS
    held = "odds_ratio_exact_as_occupied" if few else "share_difference_as_occupied"
    beside = [e for e in effects if e.name in (held, "odds_ratio_together")]
    clear = sorted((e for e in beside if _differs(e)), key=_clearness, reverse=True)[:2]
    told = [_as_occupied(e, blocks > 0) if e.name == held else _pair(e, blocks > 0) for e in clear]
    if not told:
        return []
    # which comparison is clearest is chosen by its outcome, so that the number of those looked at must be said
    return [f"Clearest of the {len(beside)} comparisons with vacant plants and between kinds: {'; '.join(told)}."]


def _plural(where: str) -> str:
    kind, _, how = where.partition(", ")
    name = {"bird nest": "bird nests", "wasp nest": "wasp nests", "parasite ant": "parasite ants"}.get(kind, kind)
    return f"new {name}" if how.startswith("new") else name


def _differs(e: Effect) -> bool:
    none = 1.0 if "ratio" in e.name else 0.0
    return e.low > none or e.high < none


def _clearness(e: Effect) -> float:
    """Give the distance from no difference in standard errors; one with an open end comes last."""
    value = np.log(e.estimate) if "ratio" in e.name else e.estimate
    return abs(float(value)) / e.standard_error if e.standard_error else 0.0


def _as_occupied(e: Effect, blocks: bool) -> str:
    who = "with a founding queen" if e.of == "founding" else f"with {e.of}"
    if "ratio" in e.name:
        return (
            f"the odds of {_plural(e.where)} were {number(e.estimate)} times as high on plants {who} as on vacant ones "
            f"(95 % interval {bounds(e)})"
        )
    low, high = _ends(e)
    return (
        f"{_plural(e.where)} were found {number(abs(100 * e.estimate))} percentage points {_more(e)} often on plants "
        f"{who} than on vacant ones{' of the same block' if blocks else ''} (95 % interval {low} to {high})"
    )


def _pair(e: Effect, blocks: bool) -> str:
    chance = "chance within blocks" if blocks else "chance"
    return (
        f"{_plural(e.of)} and {_plural(e.against)} shared plants {'more' if e.low > 1 else 'less'} often than "
        f"{chance} would have it (odds ratio {number(e.estimate)}, 95 % interval {bounds(e)})"
    )


def _more(e: Effect) -> str:
    return "more" if e.estimate > 0 else "less"


def _ends(e: Effect) -> tuple[str, str]:
    """Write the ends of a difference without its sign, in percentage points."""
    low, high = (e.low, e.high) if e.estimate > 0 else (-e.high, -e.low)
    return number(100 * low), number(100 * high)


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
