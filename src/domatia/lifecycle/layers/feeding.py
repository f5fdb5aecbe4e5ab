"""Feeding trials: leaves of the study's plants, and of a soft herb, offered to caterpillars. All of it invented.

Plants that ants defend spend less on defences of the leaf, so that their leaves are eaten more readily. Every leaf
shrinks while it lies in its dish, and so does its ungrazed control; an animal is fed several times and has an appetite
of its own. In a choice a leaf of a removal plant and one of a sham plant of the same block share a dish.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.life import Life, simulate
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import Floats, Ints
from domatia.lifecycle.streams import Purpose, stream
from domatia.lifecycle.study_rows import dates
from domatia.lifecycle.true_value import TrueValue

CONSUMER, HERB = "tent caterpillar", "soft mallow"
ROUND = 5
CHOICES, ALONE, HERBS = 4, 2, 2
"""Dishes a block with a choice; dishes a block and treatment with a leaf alone; dishes a block with the herb."""
MEALS = 3
"""Dishes in which an animal is fed."""
SOFT, HERB_SOFT = 0.55, 0.9
TOUCHED, TOUCHED_SOFT, AMOUNT, EVENNESS = 0.5, 1.0, -0.4, 5.0
APPETITE, PLANT, BLOCK, LIKING = 0.45, 0.35, 0.20, 0.6
SHRINKS, SHRINK_SPREAD, AREA_ERROR, NO_CONTROL = 0.06, 0.02, 0.06, 0.05
LEAST = 0.08
NUMBER = 52


@dataclass(frozen=True)
class Leaves:
    """Leaves that an animal is given, one entry a dish (and a second for the other leaf of a choice)."""

    soft: Floats
    appetite: Floats


def softness(spec: Spec, occupant: Ints) -> Floats:
    """Give how much softer a leaf is for the ants that defend its plant."""
    defended = [0.0, *(SOFT * a.defends for a in spec.ants), *([0.0] * len(spec.ants))]
    return np.asarray(spec.help * np.array(defended)[occupant], dtype=np.float64)


def eaten_alone(leaf: Leaves, rng: np.random.Generator) -> Floats:
    """Give the share eaten of leaves fed alone."""
    n = len(leaf.soft)
    eta = leaf.soft + leaf.appetite
    touched = rng.random(n) < 1.0 / (1.0 + np.exp(-(TOUCHED + TOUCHED_SOFT * eta)))
    mean = 1.0 / (1.0 + np.exp(-(AMOUNT + eta)))
    amount = 0.08 + 0.9 * rng.beta(EVENNESS * mean, EVENNESS * (1.0 - mean))
    return np.asarray(np.where(touched, amount, 0.0), dtype=np.float64)


def eaten_in_choice(soft: tuple[Floats, Floats], appetite: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Give the shares eaten of two leaves that lie in one dish: what goes to the one does not go to the other."""
    n = len(appetite)
    both = (soft[0] + soft[1]) / 2.0
    total = eaten_alone(Leaves(both, appetite), rng) * 1.2
    first = 1.0 / (1.0 + np.exp(-(2.0 * (soft[0] - soft[1]) + 2.0 * LIKING * rng.standard_normal(n))))
    parts = [np.minimum(total * p, 1.0) for p in (first, 1.0 - first)]
    one, other = (np.asarray(np.where(p < LEAST, 0.0, p), dtype=np.float64) for p in parts)
    return one, other


def _day(spec: Spec, life: Life, plants: Ints) -> Floats:
    day = life.rounds.day[min(ROUND, spec.rounds - 1), life.stand.block[plants]]
    return np.asarray(day, dtype=np.float64)


def draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Pick leaves of living plants and let animals eat."""
    spec, life = book.spec, book.life
    stand = life.stand
    plants = np.arange(stand.size)
    day = _day(spec, life, plants)
    soft = softness(spec, life.changes.at(plants, day - 1e-3))
    soft = soft + PLANT * rng.standard_normal(stand.size) + (BLOCK * rng.standard_normal(spec.blocks))[stand.block]
    alive = np.flatnonzero(life.death_day > day)
    alive = alive[np.argsort(rng.random(len(alive)))]
    roles = [a.role for a in spec.arms]
    first, second, alone, herbs = [], [], [], []
    for b in range(spec.blocks):
        of = {r: alive[(stand.block[alive] == b) & (stand.arm[alive] == i)] for i, r in enumerate(roles)}
        pairs = min(len(of.get("removal", ())), len(of.get("sham", ())), CHOICES)
        first.append(of["removal"][:pairs] if pairs else np.empty(0, np.int64))
        second.append(of["sham"][:pairs] if pairs else np.empty(0, np.int64))
        alone += [p[-ALONE:] for p in of.values()]
        herbs += [b] * HERBS
    chosen = np.concatenate(first), np.concatenate(second), np.concatenate(alone)
    return {"palatability": _fed(spec, life, (*chosen, np.array(herbs)), soft, rng)}


def _fed(
    spec: Spec, life: Life, chosen: tuple[Ints, Ints, Ints, Ints], soft: Floats, rng: np.random.Generator
) -> pl.DataFrame:
    one, other, alone, herbs = chosen
    count = len(one) + len(alone) + len(herbs)
    animal = rng.permutation(np.arange(count) // MEALS)
    appetite = (APPETITE * rng.standard_normal(count // MEALS + 1))[animal]
    a, b = eaten_in_choice((soft[one], soft[other]), appetite[: len(one)], rng)
    lone_soft = np.concatenate([soft[alone], np.full(len(herbs), HERB_SOFT)])
    c = eaten_alone(Leaves(lone_soft, appetite[len(one) :]), rng)
    dish = np.concatenate([np.arange(len(one)), np.arange(len(one)), np.arange(len(one), count)])
    plant = np.concatenate([one, other, alone, np.full(len(herbs), -1)])
    block = np.concatenate([life.stand.block[plant[: -len(herbs)]], herbs]) if len(herbs) else life.stand.block[plant]
    share = np.concatenate([a, b, c])
    n = len(share)
    offered, spare = rng.uniform(6.0, 12.0, n).round(1), rng.uniform(5.0, 9.0, n).round(1)
    shrink = np.clip(SHRINKS + SHRINK_SPREAD * rng.standard_normal(n), 0.0, 0.3)
    gone = offered * (1.0 - (1.0 - share) * (1.0 - shrink)) + AREA_ERROR * rng.standard_normal(n)
    lost = spare * shrink + AREA_ERROR * rng.standard_normal(n)
    known = rng.random(n) >= NO_CONTROL
    round_ = min(ROUND, spec.rounds - 1)
    when = life.rounds.block_start[block] + life.rounds.day[round_, block]
    host = plant >= 0
    return pl.DataFrame(
        {
            "plant": pl.Series(np.where(host, plant, 0)).cast(pl.Int64).set(pl.Series(~host), None),
            "leaf_source": np.where(host, spec.plant_species, HERB).tolist(),
            "consumer": [CONSUMER] * n,
            "when": dates(spec, when.astype(np.int64)),
            "offered_cm2": offered,
            "eaten_cm2": np.clip(gone, 0.0, offered).round(2),
            "control_loss_cm2": pl.Series(np.clip(lost, 0.0, spare).round(2)).set(pl.Series(~known), None),
            "control_offered_cm2": spare,
            "hours": np.full(n, 24.0),
            "dish": [f"D{k + 1:03d}" for k in dish],
            "animal": [f"T{animal[k] + 1:03d}" for k in dish],
        }
    )


_YEARS, _LEAVES = 1.0, 300_000


def truth(spec: Spec, seed: int) -> Iterable[TrueValue]:
    """Count the shares eaten on many leaves of plants that each live once under each treatment."""
    big = replace(spec.sized(120, spec.plants_per_block), years=min(spec.years, _YEARS))
    rng = stream(seed, 0, Purpose.LAYERS, 1000 * NUMBER)
    soft: dict[str, Floats] = {}
    parts: list[tuple[Ints, Floats]] = []
    for turn in range(len(spec.arms)):
        life = simulate(big, seed, 2**43, turn)
        plants = np.arange(life.stand.size)
        day = _day(big, life, plants)
        alive = np.flatnonzero(life.death_day > day)
        parts.append((life.stand.arm[alive], softness(big, life.changes.at(alive, day[alive] - 1e-3))))
    arm, plain = (np.concatenate([p[i] for p in parts]) for i in (0, 1))
    for i, a in enumerate(spec.arms):
        soft[a.name] = rng.choice(plain[arm == i], _LEAVES) + PLANT * rng.standard_normal(_LEAVES)
    yield from _counted(spec, soft, rng)


def _counted(spec: Spec, soft: Mapping[str, Floats], rng: np.random.Generator) -> Iterable[TrueValue]:
    def normal(spread: float) -> Floats:
        return np.asarray(spread * rng.standard_normal(_LEAVES), dtype=np.float64)

    named: dict[str, str] = {a.role: a.name for a in spec.arms}
    alone = {n: eaten_alone(Leaves(s + normal(BLOCK), normal(APPETITE)), rng) for n, s in soft.items()}
    for of, against in (("removal", "sham"), ("sham", "control"), ("removal", "control")):
        if {of, against} <= set(named):
            names = (named[of], named[against])
            yield from _both(names, "no choice", (alone[names[0]], alone[names[1]]))
    if {"removal", "sham"} <= set(named):
        names = (named["removal"], named["sham"])
        # the two leaves of a dish are of one block
        shared = normal(BLOCK)
        own = soft[names[0]] + shared, soft[names[1]] + shared
        yield from _both(names, "choice", eaten_in_choice(own, normal(APPETITE), rng))
    host = np.concatenate(list(alone.values()))
    herb = eaten_alone(Leaves(np.full(_LEAVES, HERB_SOFT), normal(APPETITE)), rng)
    yield from _both((HERB, spec.plant_species), "no choice, leaf source", (herb, host))


def _both(names: tuple[str, str], where: str, shares: tuple[Floats, Floats]) -> Iterable[TrueValue]:
    mean = [float(s.mean()) for s in shares]
    some = [float((s > 0.05).mean()) for s in shares]
    for name, value in (
        ("eaten_difference", mean[0] - mean[1]),
        ("eaten_ratio", mean[0] / mean[1]),
        ("eaten_at_all_difference", some[0] - some[1]),
    ):
        yield TrueValue("palatability", name, *names, where, value, "1")


FEEDING = Layer("feeding", NUMBER, ("palatability",), draw, truth)
