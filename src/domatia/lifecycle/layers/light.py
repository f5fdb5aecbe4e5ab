"""Light: photographs of the canopy above some plants, and what is true of ants and light at the first visit.

The census reads openness by densiometer at every visit. Photographs read lighter in deep shade and darker in the
open, as the two methods do; they are taken above a few plants of each block about a year after the treatment.

The truth needs no counting: before any treatment the odds of each ant against none follow its own response to light
(`domatia.lifecycle.stand`), so that shares, optima, means, breadths and overlaps have closed forms over openness.
"""

from collections.abc import Iterable, Mapping

import numpy as np
import polars as pl

from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import REFERENCE_LIGHT, Spec
from domatia.lifecycle.stand import Floats
from domatia.lifecycle.study_rows import dates
from domatia.lifecycle.true_value import TrueValue

_NUMBER = 31
_PHOTOGRAPHED, _ROUND, _AFTER_DAYS = 4, 6, 9
"""Plants of each block, the round after which, and by how many days."""
_OVER, _SLOPE, _NOISE = 2.5, 0.78, 1.5
_VACANT = "vacant"
_POINTS = 241
_MIDDLE = 0.80


def draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Photograph the canopy above a few living plants of each block."""
    spec, life = book.spec, book.life
    round_ = min(_ROUND, spec.rounds - 1)
    day = life.rounds.day[round_] + _AFTER_DAYS
    chosen = []
    for b in range(spec.blocks):
        own = np.flatnonzero((life.stand.block == b) & (life.death_day > day[b]))
        chosen.append(np.sort(rng.permutation(own)[:_PHOTOGRAPHED]))
    at = np.concatenate(chosen).astype(np.int64)
    block = life.stand.block[at]
    reading = _OVER + _SLOPE * 100.0 * life.stand.light[at] + _NOISE * rng.standard_normal(len(at))
    return {
        "visit": pl.DataFrame(
            {
                "plant": at,
                "when": dates(spec, life.rounds.block_start[block] + day[block]),
                "observer": [spec.crew.people[int(b) % len(spec.crew.people)] for b in block],
                "status": ["alive"] * len(at),
                "openness_pct": np.round(np.clip(reading, 0.5, 99.0), 1),
                "openness_method": ["photograph"] * len(at),
            }
        )
    }


def _shares(spec: Spec, openness_pct: Floats) -> Floats:
    """Give the share of plants that stand vacant and that each ant holds, shape (values, ants + 1)."""
    weight = np.array([a.share for a in spec.ants])
    slopes = np.array([a.founding_light for a in spec.ants])
    vacant = spec.colonies.vacant_share
    odds = (1.0 - vacant) * weight / weight.sum()
    each = odds * np.exp(np.outer(openness_pct / 100.0 - REFERENCE_LIGHT, slopes) / 0.1)
    whole = np.column_stack([np.full(len(each), vacant), each])
    return np.asarray(whole / whole.sum(axis=1, keepdims=True), dtype=np.float64)


def truth(spec: Spec, seed: int) -> Iterable[TrueValue]:
    """Give what is true at the first visit, for every range of openness that a study may cover."""
    names = [_VACANT, *(a.name for a in spec.ants)]
    for dark in (10.0, 20.0):
        for light in (40.0, 50.0, 60.0):
            gap = np.diff(_shares(spec, np.array([dark, light])), axis=0)[0]
            where = f"at {light:g} % against {dark:g} % openness"
            for name, value in zip(names, gap.tolist(), strict=True):
                yield TrueValue("light", "share_difference", name, "", where, value, "1")
    for low in (0.0, 10.0):
        for high in (50.0, 60.0, 70.0):
            yield from _over(names, np.linspace(low, high, _POINTS), spec)
    for ant in spec.ants:
        ratio = float(np.exp(ant.founding_light))
        where = "within blocks, for 10 points more openness"
        yield TrueValue("light", "odds_ratio_of_light", ant.name, _VACANT, where, ratio, "1")


def _over(names: list[str], grid: Floats, spec: Spec) -> Iterable[TrueValue]:
    where = f"{grid[0]:g} to {grid[-1]:g} % openness"
    shares = _shares(spec, grid)
    even = shares / shares.sum(axis=0)
    edges = np.linspace(grid[0], grid[-1], _POINTS + 1)
    for name, share, q in zip(names, shares.T, even.T, strict=True):
        best = int(np.argmax(share))
        if 0 < best < len(grid) - 1:
            yield TrueValue("light", "light_optimum", name, "", where, float(grid[best]), "%")
        yield TrueValue("light", "light_mean", name, "", where, float(q @ grid), "%")
        parts = ((1.0 - _MIDDLE) / 2.0, (1.0 + _MIDDLE) / 2.0)
        low, high = np.interp(parts, np.append(0.0, q.cumsum()), edges)
        yield TrueValue("light", "light_breadth", name, "", where, float(high - low), "%")
    for i in range(1, len(names)):
        for j in range(1, len(names)):
            if i != j:
                p, q = even[:, i], even[:, j]
                values = {
                    "schoener": 1.0 - 0.5 * np.abs(p - q).sum(),
                    "pianka": p @ q / np.sqrt((p @ p) * (q @ q)),
                    "morisita_horn": 2.0 * p @ q / (p @ p + q @ q),
                }
                for index, value in values.items():
                    yield TrueValue("light", f"light_overlap_{index}", names[i], names[j], where, float(value), "1")


LIGHT = Layer("canopy_photographs", _NUMBER, ("light",), draw, truth)
