"""Flowers, fruits and seeds counted once a year on every plant that is found."""

from collections.abc import Iterable, Mapping

import numpy as np
import polars as pl

from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.life import Life, between_months, simulate
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import YEAR_DAYS, Spec
from domatia.lifecycle.stand import Floats, Ints
from domatia.lifecycle.streams import Purpose, stream
from domatia.lifecycle.study_rows import dates
from domatia.lifecycle.true_value import TrueValue

_START, _SIZE = -0.7, 1.1
_MEAN, _MEAN_SIZE = 2.0, 0.7
_DEFENDED, _DEFENDED_MEAN = 0.55, 0.30
_CASTRATED, _CASTRATED_MEAN = -0.60, -0.40
_PLANT, _BLOCK = 0.50, 0.30
_SHAPE = 1.5
_SETS, _SEEDS = 0.35, 6.0
_REFERENCE = float(np.log(80.0))
_SKIPPED = 0.04
"""Share of block-years in which nobody counted."""
_NUMBER = 4
_PIECES = 2


def _help(spec: Spec) -> tuple[Floats, Floats]:
    """Give what each occupant adds to the log odds of flowering and to the log number of flowers."""
    founding = [0.0] * len(spec.ants)
    chance = [0.0, *(_DEFENDED if a.defends else _CASTRATED for a in spec.ants), *founding]
    number = [0.0, *(_DEFENDED_MEAN if a.defends else _CASTRATED_MEAN for a in spec.ants), *founding]
    return spec.help * np.array(chance), spec.help * np.array(number)


def _grown(
    spec: Spec, life: Life, day: Floats, key: tuple[int, int], rng: np.random.Generator
) -> tuple[Ints, Ints, Ints]:
    """Draw flowers, fruits and seeds of all plants on a day of theirs, whether or not they live.

    `key` (seed, replicate) settles the nature of plants and blocks, which stays over the years and under every arm.
    """
    n = life.stand.size
    plants = np.arange(n)
    size = between_months(life.log_height, plants, day) - _REFERENCE
    occupant = life.changes.at(plants, day)
    chance, number = _help(spec)
    nature = stream(*key, Purpose.LAYERS, 1000 + _NUMBER)
    own = _PLANT * nature.standard_normal((2, n))
    block = _BLOCK * nature.standard_normal((2, spec.blocks))
    eta = _START + _SIZE * size + chance[occupant] + own[0] + block[0][life.stand.block]
    log_mean = _MEAN + _MEAN_SIZE * size + number[occupant] + own[1] + block[1][life.stand.block]
    any_ = rng.random(n) < 1 / (1 + np.exp(-eta))
    flowers = 1 + rng.poisson(np.exp(log_mean) * rng.gamma(_SHAPE, 1 / _SHAPE, n))
    flowers = np.where(any_, flowers, 0)
    fruits = rng.binomial(flowers, _SETS)
    return flowers, fruits, rng.poisson(_SEEDS * fruits)


def _years(spec: Spec, life: Life) -> list[Ints]:
    """Give the round of each yearly count, by block: the first round a year or more after the treatment, and so on."""
    found = []
    for year in range(1, int(spec.years) + 1):
        late = life.rounds.day >= year * YEAR_DAYS - 10
        if not late.any(axis=0).all():
            break
        found.append(np.argmax(late, axis=0))
    return found


def draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Count the plants that are found alive at one round a year; some block-years are forgotten."""
    spec, life = book.spec, book.life
    parts = []
    for rounds in _years(spec, life):
        block = life.stand.block
        day = life.rounds.day[rounds, np.arange(spec.blocks)][block].astype(np.float64)
        flowers, fruits, seeds = _grown(spec, life, day, (book.seed, book.replicate), rng)
        forgotten = rng.random(spec.blocks) < _SKIPPED
        plants = np.arange(life.stand.size)
        come = life.rounds.reached[rounds[block], plants] & life.rounds.found[rounds[block], plants]
        seen = come & (life.death_day > day)
        at = np.flatnonzero(seen & ~forgotten[block])
        calendar = (life.rounds.block_start[block] + day.astype(np.int64))[at]
        parts.append(
            pl.DataFrame(
                {
                    "plant": at,
                    "when": dates(spec, calendar),
                    "flowers": flowers[at],
                    "fruits": fruits[at],
                    "seeds": seeds[at],
                }
            )
        )
    schema = {"plant": pl.Int64, "when": pl.Date, "flowers": pl.Int64, "fruits": pl.Int64, "seeds": pl.Int64}
    return {"reproduction": pl.concat(parts) if parts else pl.DataFrame(schema=schema)}


def truth(spec: Spec, seed: int) -> Iterable[TrueValue]:
    """Count on many plants, each living once under each arm with the same nature; living plants by year."""
    big, arms = spec.sized(120, spec.plants_per_block), len(spec.arms)
    years = len(_years(big, simulate(big, seed, 2**41)))
    shape = (years, arms)
    plants, alive, flowering = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    sums = np.zeros((3, years, arms))
    for piece in range(_PIECES):
        for turn in range(arms):
            life = simulate(big, seed, 2**41 + piece, turn)
            for year, rounds in enumerate(_years(big, life)):
                day = life.rounds.day[rounds, np.arange(big.blocks)][life.stand.block].astype(np.float64)
                rng = stream(seed, 2**41 + piece, Purpose.LAYERS, 2000 + year)
                counts = _grown(big, life, day, (seed, 2**41 + piece), rng)
                lives, arm = life.death_day > day, life.stand.arm
                plants[year] += np.bincount(arm, minlength=arms)
                alive[year] += np.bincount(arm[lives], minlength=arms)
                flowering[year] += np.bincount(arm[lives & (counts[0] > 0)], minlength=arms)
                for i, number in enumerate(counts):
                    sums[i, year] += np.bincount(arm[lives], number[lives], arms)
    at = {a.role: i for i, a in enumerate(spec.arms)}
    for of, against in (("removal", "sham"), ("removal", "control"), ("sham", "control")):
        if of in at and against in at:
            i, j = at[of], at[against]
            names = (spec.arms[i].name, spec.arms[j].name)
            yield from _contrasts(names, (i, j), (plants, alive, flowering, sums))


def _contrasts(names: tuple[str, str], pair: tuple[int, int], counted: tuple[Floats, ...]) -> Iterable[TrueValue]:
    plants, alive, flowering, sums = counted
    i, j = pair
    share = (flowering / alive).mean(axis=0)
    where = ("living plants", "per plant, the dead as none", "plants that flowered")
    yield TrueValue("reproduction", "flowering_difference", *names, where[0], float(share[i] - share[j]), "1")
    for s, stage in enumerate(("flowers", "fruits", "seeds")):
        whole = sums[s].sum(axis=0) / plants.sum(axis=0)
        for place, mean in (
            (where[1], whole),
            (where[0], (sums[s] / alive).mean(axis=0)),
            (where[2], (sums[s] / flowering).mean(axis=0)),
        ):
            yield TrueValue("reproduction", f"{stage}_ratio", *names, place, float(mean[i] / mean[j]), "1")


FRUITING = Layer("flowers_and_fruits", _NUMBER, ("reproduction",), draw, truth)
