"""Plants beside the experiment that were cut, again and again, and what came back."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import BLOCK_SIDE_M, Bools, Floats, Ints
from domatia.lifecycle.streams import Purpose, stream
from domatia.lifecycle.study_lists import PERMITS, block_name
from domatia.lifecycle.study_rows import dates
from domatia.lifecycle.true_value import TrueValue

_NUMBER = 14
_A_BLOCK, _VISITS, _GAP_DAYS, _FIRST_DAY = 16, 8, 95, 200
_MISSED = 0.06
_DIES, _DIES_HEIGHT, _DIES_BLOCK = -1.30, -0.020, 0.30
"""Log odds that a stump of 30 cm dies of one cut, its change by 1 cm of height, and its spread between blocks."""
_HEIGHTS, _DISTANCES = (5.0, 60.0), (0.5, 12.0)
_TAKEN, _LENGTH_M, _TAKEN_AWAY = 0.75, 4.0, 0.06
"""Chance that ants hold a live stump after a year: beside its crown, the length over which it falls, without one."""
_TOOL = "machete"


@dataclass(frozen=True)
class _Cut:
    """Stumps as they truly were: `dead_from` is the first visit (1 to 8, or 9) without live tissue; `seen` by visit."""

    block: Ints
    height: Floats
    left: Bools
    distance: Floats
    dead_from: Ints
    held: Bools
    seen: Bools


def _cut(blocks: int, help_: float, missed: float, rng: np.random.Generator) -> _Cut:
    """Cut plants and come back; a stump that is missed at a visit is not cut then, and so does not die of it."""
    a_block, n = _A_BLOCK, blocks * _A_BLOCK
    block = np.repeat(np.arange(blocks), a_block)
    height = np.round(rng.uniform(*_HEIGHTS, n))
    left = np.tile(np.arange(a_block) % 2 == 0, blocks)
    distance = np.round(rng.uniform(*_DISTANCES, n), 1)
    odds = _DIES + _DIES_HEIGHT * (height - 30.0) + (_DIES_BLOCK * rng.standard_normal(blocks))[block]
    seen = rng.random((_VISITS, n)) >= missed
    was_cut = np.vstack([np.ones((1, n), np.bool_), seen[:-1]])
    dies = (rng.random((_VISITS, n)) < 1 / (1 + np.exp(-odds))) & was_cut
    dead_from = np.where(dies.any(axis=0), np.argmax(dies, axis=0) + 1, _VISITS + 1)
    near = _TAKEN_AWAY + help_ * (_TAKEN * np.exp(-distance / _LENGTH_M) - _TAKEN_AWAY)
    held = rng.random(n) < np.where(left, near, _TAKEN_AWAY)
    return _Cut(block, height, left, distance, dead_from.astype(np.int64), held, seen)


def _year() -> int:
    """Give the visit nearest to a year after the first cut."""
    return int(np.argmin(np.abs(np.arange(1, _VISITS + 1) * _GAP_DAYS - 365)) + 1)


def draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Cut sixteen plants a block, come back every three months, and cut again whatever has live tissue."""
    spec = book.spec
    cut = _cut(spec.blocks, min(max(spec.help, 0.0), 1.0), _MISSED, rng)
    n = len(cut.block)
    place = [block_name(spec, b) for b in cut.block.tolist()]
    names = [f"{b}/S{i % _A_BLOCK + 1}" for i, b in enumerate(place)]
    x, y = rng.random((2, n)) * BLOCK_SIDE_M
    start = book.life.rounds.block_start[cut.block] + _FIRST_DAY
    plants = pl.DataFrame(
        {"name": names, "place": place, "species": [spec.plant_species] * n, "x_m": np.round(x, 1),
         "y_m": np.round(y, 1), "origin": ["found as adult"] * n}
    )  # fmt: skip
    visits, again = [], []
    ant = rng.integers(0, len(spec.ants), n)
    for v in range(1, _VISITS + 1):
        day, live = start + v * _GAP_DAYS, cut.dead_from > v
        at = np.flatnonzero(cut.seen[v - 1])
        visits.append(_looks(spec, names, day, live, at).with_columns(_ants(cut, ant, at, live, v == _year())))
        again.append((at[live[at]], day))
    acts = [_acts(spec, names, cut, np.arange(n), start, first=True)]
    acts += [_acts(spec, names, cut, at, day, first=False) for at, day in again]
    return {"plant": plants, "intervention": pl.concat(acts), "visit": pl.concat(visits)}


def _looks(spec: Spec, names: list[str], day: Ints, live: Bools, at: Ints) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "plant": [names[i] for i in at.tolist()],
            "when": dates(spec, day[at]),
            "observer": [spec.crew.people[0]] * len(at),
            "status": np.where(live[at], "alive", "no live tissue").tolist(),
        }
    )


def _ants(cut: _Cut, ant: Ints, at: Ints, live: Bools, look: bool) -> list[pl.Series]:
    """Give what was seen of ants at one visit: nobody looks but at the visit after a year, and then at live stumps."""
    said = live[at] & look
    held = said & cut.held[at]
    taxon = [int(a) if h else None for a, h in zip(ant[at].tolist(), held.tolist(), strict=True)]
    stage = ["patrolling" if h else ("none" if s else None) for h, s in zip(held.tolist(), said.tolist(), strict=True)]
    return [
        pl.Series("occupancy.looked", [True if s else None for s in said.tolist()], dtype=pl.Boolean),
        pl.Series("occupancy.taxon", taxon, dtype=pl.Int64),
        pl.Series("occupancy.stage", stage, dtype=pl.String),
    ]


def _acts(spec: Spec, names: list[str], cut: _Cut, at: Ints, day: Ints, *, first: bool) -> pl.DataFrame:
    kind = np.where(cut.left[at], "crown left", "crown carried away") if first else np.full(len(at), "cutting")
    distance = np.where(cut.left[at], cut.distance[at], np.nan) if first else np.full(len(at), np.nan)
    return pl.DataFrame(
        {
            "plant": [names[i] for i in at.tolist()],
            "when": dates(spec, day[at]),
            "kind": kind.tolist(),
            "agent": [_TOOL] * len(at),
            "crown_distance_m": pl.Series(distance, dtype=pl.Float64).fill_nan(None),
            "cut_height_cm": cut.height[at],
            "operator": [spec.crew.people[1]] * len(at),
            "permit": [PERMITS[0][1]] * len(at),
        }
    )


def truth(spec: Spec, seed: int) -> Iterable[TrueValue]:
    """Count on many stumps whose fate is known at every visit; the decay is the model's own."""
    blocks = 5000
    help_ = min(max(spec.help, 0.0), 1.0)
    # the crew misses stumps and then does not cut them; the chance a visit is that of stumps which are visited
    streams = (stream(seed, 2**41 + i, Purpose.LAYERS, _NUMBER) for i in range(2))
    cut, visited = (_cut(blocks, help_, m, rng) for m, rng in zip((_MISSED, 0.0), streams, strict=True))
    live = cut.dead_from > _year()
    left, away = float(live[cut.left].mean()), float(live[~cut.left].mean())
    odds = left / (1 - left) / (away / (1 - away))
    pair = ("crown left", "crown carried away")
    for side, share in zip(pair, (left, away), strict=True):
        yield TrueValue("resprout", "resprouting_share", side, "", "after 1 year", share, "1")
    yield TrueValue("resprout", "resprouting_difference", *pair, "after 1 year", left - away, "1")
    yield TrueValue("resprout", "resprouting_odds_ratio", *pair, "after 1 year", odds, "1")
    held = cut.held & live
    shares = [float(held[live & side].mean()) for side in (cut.left, ~cut.left)]
    yield TrueValue("resprout", "reoccupied_difference", *pair, "live stumps after 1 year", shares[0] - shares[1], "1")
    if spec.help >= 1.0:
        halving = _LENGTH_M * float(np.log(2.0))
        yield TrueValue(
            "resprout", "reoccupied_halving_distance", "crown left", "", "live stumps after 1 year", halving, "m"
        )
    dead = visited.dead_from <= _VISITS
    chance = float(dead.sum() / np.minimum(visited.dead_from, _VISITS).sum())
    needed = float(np.log(0.05) / np.log1p(-chance))
    yield TrueValue(
        "resprout", "visits_needed_constant_chance", "all stumps", "", "95 % without live tissue", needed, "1"
    )


CUT_PLANTS = Layer("cut_plants", _NUMBER, ("resprout",), draw, truth)
