"""Counts of leaf damage as it truly was: marked leaves after a year, and leaves of all ages seen once."""

import numpy as np

from domatia.lifecycle.leaf_scores import standing
from domatia.lifecycle.leaves import EATEN, PRESENT, START_MONTHS, area_lost, drops, fate, missing
from domatia.lifecycle.life import Life
from domatia.lifecycle.spec import YEAR_DAYS, Spec
from domatia.lifecycle.stand import Bools, Floats, Ints

LEAVES = 10


def damage(spec: Spec, life: Life, rng: np.random.Generator) -> dict[str, Floats]:
    """Look at ten leaves of every plant; plants count, not leaves."""
    return {**_marked(spec, life, rng), **_once(spec, life, rng)}


def _sum(arm: Ints, arms: int, values: Floats | None = None) -> Floats:
    return np.bincount(arm, weights=values, minlength=arms).astype(np.float64)


def _means(counts: Bools, value: Floats) -> tuple[Floats, Bools]:
    """Give the mean over the leaves that count, by plant, and which plants have any."""
    number = counts.sum(axis=1)
    return (value * counts).sum(axis=1) / np.maximum(number, 1), number > 0


def _marked(spec: Spec, life: Life, rng: np.random.Generator) -> dict[str, Floats]:
    """Mark young leaves on day 0 and look at them after a year, on plants then alive."""
    arms, rates = len(spec.arms), spec.plants
    there = np.flatnonzero(life.death_day > YEAR_DAYS)
    shape = (len(there), LEAVES)
    start = np.repeat(START_MONTHS * life.leaf_before[there], LEAVES)
    exposure = np.repeat(life.eaten[there, 12].astype(np.float64), LEAVES)
    young = area_lost(rates, start, rng)
    fallen = young + area_lost(rates, exposure, rng)
    truly = fate(rates, fallen, drops(rates, np.full(len(fallen), 12.0), rng)).reshape(shape)
    share, arm = missing(fallen).reshape(shape), life.stand.arm[there]
    found = {
        "leaf_start": _sum(arm, arms, missing(young).reshape(shape).mean(axis=1)),
        "leaf_plants": _sum(arm, arms),
    }
    eaten, stays = truly == EATEN, truly == PRESENT
    versions = (
        ("present", stays, share),
        ("fate", stays | eaten, np.where(eaten, 1.0, share)),
        ("gone_eaten", np.ones(shape, np.bool_), np.where(stays, share, 1.0)),
    )
    for name, counts, value in versions:
        mean, any_left = _means(counts, value)
        found[f"leaf_{name}"] = _sum(arm[any_left], arms, mean[any_left])
        found[f"leaf_{name}_plants"] = _sum(arm[any_left], arms)
        if name == "fate":
            found["leaf_held"] = _held(spec, life, there[any_left], mean[any_left])
    return found


def _held(spec: Spec, life: Life, plant: Ints, mean: Floats) -> Floats:
    """Sum up products and squares within blocks of the damage of plants that defenders held on day 0, or nobody."""
    held_by = np.concatenate([[0], np.where([a.defends for a in spec.ants], 1, -1), np.full(len(spec.ants), -1)])
    held = held_by[life.changes.at(plant, np.zeros(len(plant)))]
    kept = held >= 0
    block, x, y = life.stand.block[plant[kept]], held[kept].astype(np.float64), mean[kept]
    number = np.maximum(_sum(block, spec.blocks), 1.0)
    x, y = (v - (_sum(block, spec.blocks, v) / number)[block] for v in (x, y))
    return np.array([(x * y).sum(), (x * x).sum()])


def _once(spec: Spec, life: Life, rng: np.random.Generator) -> dict[str, Floats]:
    """Look once at leaves of all ages, at the round in which the crew does so."""
    arms, at = len(spec.arms), min(2 * spec.crew.leaf_every, spec.rounds - 1)
    day = life.rounds.day[at, life.stand.block].astype(np.float64)
    there = np.flatnonzero(life.death_day > day)
    plant = np.repeat(there, LEAVES)
    fallen, seen = standing(spec, life, plant, day[plant], rng)
    mean, any_left = _means(seen.reshape(-1, LEAVES), missing(fallen).reshape(-1, LEAVES))
    arm = life.stand.arm[there[any_left]]
    return {"leaf_standing": _sum(arm, arms, mean[any_left]), "leaf_standing_plants": _sum(arm, arms)}
