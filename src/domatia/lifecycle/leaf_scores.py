"""Leaf damage as the crew scores it: marked leaves again and again, and random leaves once."""

from dataclasses import dataclass

import numpy as np

from domatia.lifecycle.crew import calendar_day, observer_of
from domatia.lifecycle.leaves import DROPPED, EATEN, PRESENT, START_MONTHS, area_lost, drops, fate, missing
from domatia.lifecycle.life import Life, between_months
from domatia.lifecycle.spec import MONTH_DAYS, Spec
from domatia.lifecycle.stand import Bools, Floats, Ints
from domatia.lifecycle.streams import Purpose, stream

FATES = ("present", "abscised", "eaten", "unknown")
_OLDEST_MONTHS = 10.0
_FATE_KNOWN = 0.65


@dataclass(frozen=True)
class LeafScores:
    """One row a score.

    Attributes
    ----------
    plant, leaf, round_, day, observer : array of int
        `leaf` is the number of its mark on that plant, or of the leaf in a random choice; `day` counts from the
        study's start.
    marked : array of bool
        False for leaves chosen at random and scored once.
    missing_pct : array of float
        nan where the leaf had vanished.
    fate : array of int
        Place in `FATES`, as the crew saw it.
    """

    plant: Ints
    leaf: Ints
    round_: Ints
    day: Ints
    observer: Ints
    marked: Bools
    missing_pct: Floats
    fate: Ints


def leaf_plants(spec: Spec, life: Life) -> Ints:
    """Give the plants whose leaves are scored: the first few of each arm in each block."""
    order = np.lexsort((np.arange(life.stand.size), life.stand.arm, life.stand.block))
    per_arm = spec.plants_per_block // len(spec.arms)
    rank = np.arange(life.stand.size) % max(per_arm, 1)
    even = spec.plants_per_block % len(spec.arms) == 0
    chosen = order[rank < spec.crew.leaf_plants] if even else order[:: max(per_arm // spec.crew.leaf_plants, 1)]
    return np.sort(chosen)


def _score(spec: Spec, share: Floats, rng: np.random.Generator) -> Floats:
    """Write a missing share as a person does: an error in proportion, whole per cents, fives above ten."""
    error = spec.crew.leaf_error
    pct = 100 * share * np.exp(error * rng.standard_normal(len(share)) - error**2 / 2)
    pct = np.where(pct < 10, np.rint(pct), 5 * np.rint(pct / 5))
    return np.clip(pct, 0.0, 100.0)


def _seen_fate(truly: Ints, rng: np.random.Generator) -> Ints:
    """Give the fate as written: a scar or a stub tells it, often neither is left."""
    u = rng.random(len(truly))
    known = u < _FATE_KNOWN
    written = np.where(truly == EATEN, FATES.index("eaten"), FATES.index("abscised"))
    return np.where(truly == PRESENT, 0, np.where(known, written, FATES.index("unknown"))).astype(np.int64)


_Part = tuple[Ints, Ints, Ints, Bools, Floats, Ints]


def _cohort(spec: Spec, life: Life, first: int, rng: np.random.Generator) -> list[_Part]:
    """Mark leaves at one round and score them at the two next scoring rounds and once more, beyond the year."""
    crew, rates, rounds = spec.crew, spec.plants, life.rounds
    chosen = leaf_plants(spec, life)
    block = life.stand.block
    seen = rounds.found[first, chosen] & (life.death_day[chosen] > rounds.day[first, block[chosen]])
    plant = np.repeat(chosen[seen], crew.leaves)
    cohort = first // crew.leaf_every
    leaf = np.tile(np.arange(1, crew.leaves + 1), int(seen.sum())) + 100 * cohort
    day = rounds.day[first, block[plant]].astype(np.float64)
    exposure = between_months(life.eaten, plant, day)
    per_month = between_months(life.eaten, plant, day + MONTH_DAYS) - exposure
    per_month = life.leaf_before[plant] if first == 0 else per_month
    fallen = area_lost(rates, START_MONTHS * per_month, rng)
    parts: list[_Part] = [
        (plant, leaf, np.full(len(plant), first), np.ones(len(plant), np.bool_), _score(spec, missing(fallen), rng),
         np.zeros(len(plant), np.int64))
    ]  # fmt: skip
    there, gone = np.ones(len(plant), np.bool_), np.zeros(len(plant), np.bool_)
    for r in (first + crew.leaf_every, first + 2 * crew.leaf_every, first + 2 * crew.leaf_every + 1):
        if r >= spec.rounds:
            break
        now = rounds.day[r, block[plant]].astype(np.float64)
        more = between_months(life.eaten, plant, now)
        fallen = fallen + area_lost(rates, more - exposure, rng)
        gone |= drops(rates, (now - day) / MONTH_DAYS, rng)
        exposure, day = more, now
        truly = fate(rates, fallen, gone)
        seen = there & rounds.found[r, plant] & (life.death_day[plant] > now)
        pct = np.where(truly == PRESENT, _score(spec, missing(fallen), rng), np.nan)
        written = _seen_fate(truly, rng)
        parts.append(
            (plant[seen], leaf[seen], np.full(int(seen.sum()), r), np.ones(int(seen.sum()), np.bool_), pct[seen],
             written[seen])
        )  # fmt: skip
        there &= ~(seen & (truly != PRESENT))
    return parts


def standing(spec: Spec, life: Life, plant: Ints, day: Floats, rng: np.random.Generator) -> tuple[Floats, Bools]:
    """Draw leaves of all ages on plants on a day: by how much they have fallen, and which are still to be seen."""
    age = rng.random(len(plant)) * _OLDEST_MONTHS * MONTH_DAYS
    exposure = between_months(life.eaten, plant, day) - between_months(life.eaten, plant, day - age)
    fallen = area_lost(spec.plants, exposure, rng)
    return fallen, fate(spec.plants, fallen, np.zeros(len(plant), np.bool_)) != EATEN


def _once(spec: Spec, life: Life, at: int, rng: np.random.Generator) -> list[_Part]:
    """Score random leaves once: leaves of all ages, of which the eaten ones can no longer be chosen."""
    crew, rounds = spec.crew, life.rounds
    chosen = leaf_plants(spec, life)
    day = rounds.day[at, life.stand.block[chosen]]
    plant = np.repeat(chosen[rounds.found[at, chosen] & (life.death_day[chosen] > day)], crew.single_leaves)
    now = rounds.day[at, life.stand.block[plant]].astype(np.float64)
    fallen, kept = standing(spec, life, plant, now, rng)
    leaf = np.tile(np.arange(1, crew.single_leaves + 1), len(plant) // max(crew.single_leaves, 1))
    pct, count = _score(spec, missing(fallen), rng), int(kept.sum())
    none = np.zeros(count, np.int64)
    return [(plant[kept], leaf[kept], np.full(count, at), np.zeros(count, np.bool_), pct[kept], none)]


def score_leaves(spec: Spec, life: Life, seed: int, replicate: int) -> LeafScores:
    """Score all leaves: a new cohort is marked every year, random leaves are scored once after a year."""
    rng, year = stream(seed, replicate, Purpose.LEAVES), 2 * spec.crew.leaf_every
    parts: list[_Part] = []
    for first in range(0, spec.rounds - spec.crew.leaf_every, year):
        parts += _cohort(spec, life, first, rng)
    if year < spec.rounds:
        parts += _once(spec, life, year, rng)
    plant, leaf, round_, marked, pct, written = (np.concatenate(c) for c in zip(*parts, strict=True))
    return LeafScores(
        plant=plant,
        leaf=leaf,
        round_=round_,
        day=calendar_day(life, round_, plant),
        observer=observer_of(spec, seed, replicate, round_, life.stand.block[plant]),
        marked=marked,
        missing_pct=pct,
        fate=written,
    )


__all__ = ["DROPPED", "FATES", "LeafScores", "leaf_plants", "score_leaves"]
