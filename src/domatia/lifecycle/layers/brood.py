"""Broods of a specialist beetle, looked for on a part of the plants at some rounds. All of it invented.

The beetle avoids plants with defending ants, lays more on more leaf, but less than in proportion, and its larvae fail
where they are crowded.
"""

from collections.abc import Iterable, Mapping
from itertools import pairwise

import numpy as np
import polars as pl

from domatia.lifecycle.crew import Visits, calendar_day, visit_plants
from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.life import Life, between_months, simulate
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import Floats, Ints
from domatia.lifecycle.streams import Purpose, stream
from domatia.lifecycle.study_rows import dates
from domatia.lifecycle.true_value import TrueValue

ENEMY, OTHER = "notch-wing leaf beetle", "pale bag moth"
ROUNDS, EVERY = (3, 7, 11), 3
LAID, LAID_ANTS = 0.5, -0.9
EGGS, EGGS_ANTS, EGGS_AREA = 14.0, -0.30, 0.55
AREA, AREA_SIZE, AREA_SPREAD = 260.0, 1.1, 0.45
BLOCK, CLUMPED, HATCHED = 0.20, 2.5, 0.85
UNCROWDED, CAPACITY, EXPONENT, PRECISION = 0.75, 5.0, 2.4, 9.0
"""Capacity in larvae for each 100 cm2 of leaf."""
NO_AREA, NO_EGGS, OTHER_SHARE = 0.04, 0.05, 0.03
_REFERENCE_CM = 60.0
_REPLICATES = 5


def _seen(spec: Spec, life: Life, visits: Visits) -> tuple[Ints, Ints, Floats]:
    """Give plant, round and the day since treatment of the visits at which broods were looked for."""
    every = (visits.plant + visits.round_) % EVERY == 0
    rows = np.flatnonzero(visits.looked & np.isin(visits.round_, ROUNDS) & every)
    plant, round_ = visits.plant[rows], visits.round_[rows]
    return plant, round_, life.rounds.day[round_, life.stand.block[plant]].astype(np.float64)


def _leaf(life: Life, plant: Ints, day: Floats, rng: np.random.Generator) -> Floats:
    size = between_months(life.log_height, plant, day) - np.log(_REFERENCE_CM)
    area = AREA * np.exp(AREA_SIZE * size + AREA_SPREAD * rng.standard_normal(len(plant)))
    return np.asarray(np.maximum(np.round(area, 1), 5.0), dtype=np.float64)


def _defended(spec: Spec, life: Life, plant: Ints, day: Floats) -> Floats:
    """Give 1 where a defending ant patrolled when the crew came, before any treatment of that day."""
    state = life.changes.at(plant, day - 1e-3)
    defends = np.array([0.0, *(float(a.defends) for a in spec.ants), *([0.0] * len(spec.ants))])
    return np.asarray(defends[state], dtype=np.float64)


def _chance(spec: Spec, ants: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-(LAID + spec.help * LAID_ANTS * ants))), dtype=np.float64)


def _mean(spec: Spec, ants: Floats, area: Floats) -> Floats:
    return np.asarray(EGGS * np.exp(spec.help * EGGS_ANTS * ants) * (area / AREA) ** EGGS_AREA, dtype=np.float64)


def draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Draw the broods of a third of the plants at each of three rounds."""
    spec, life = book.spec, book.life
    plant, round_, day = _seen(spec, life, book.visits)
    n = len(plant)
    area, ants = _leaf(life, plant, day, rng), _defended(spec, life, plant, day)
    block = np.exp(BLOCK * rng.standard_normal(spec.blocks) - BLOCK**2 / 2.0)[life.stand.block[plant]]
    mean = np.maximum(_mean(spec, ants, area) * block, 1.02)
    clump = rng.gamma(CLUMPED, 1.0 / CLUMPED, n)
    eggs = np.where(rng.random(n) < _chance(spec, ants), 1 + rng.poisson((mean - 1.0) * clump), 0)
    larvae = rng.binomial(eggs, HATCHED)
    density = np.maximum(larvae, 1) / area * 100.0
    p = UNCROWDED / (1.0 + (density / CAPACITY) ** EXPONENT)
    survivors = rng.binomial(larvae, rng.beta(p * PRECISION, (1.0 - p) * PRECISION))
    unmeasured, uncounted, other = (rng.random(n) < s for s in (NO_AREA, NO_EGGS, OTHER_SHARE))
    return {
        "brood": pl.DataFrame(
            {
                "plant": plant,
                "when": dates(spec, calendar_day(life, round_, plant)),
                "enemy": np.where(other, OTHER, ENEMY).tolist(),
                "eggs": pl.Series(eggs).set(pl.Series(uncounted), None),
                "larvae": larvae,
                "survivors": survivors,
                "leaf_area_cm2": pl.Series(area).set(pl.Series(unmeasured), None),
            }
        )
    }


def truth(spec: Spec, seed: int) -> Iterable[TrueValue]:
    """Give what the beetle does as it is, and the eggs under each treatment as counted on many plants."""
    pair, occupied = ("defending ant", "no ants"), "as occupied"
    with_ants, without = _chance(spec, np.ones(1))[0], _chance(spec, np.zeros(1))[0]
    odds = np.exp(spec.help * LAID_ANTS)
    fewer = np.exp(spec.help * EGGS_ANTS)
    best = CAPACITY * (EXPONENT - 1.0) ** (-1.0 / EXPONENT)
    larvae, every = ("larvae", ""), "all broods"
    found = [
        _true("match_exponent", ("brood size", "leaf area"), "broods with eggs", EGGS_AREA),
        _true("crowding_exponent", larvae, every, EXPONENT),
        _true("survival_uncrowded", larvae, every, UNCROWDED),
        _true("best_density", larvae, every, best, "1/(100 cm2)"),
        _true("eggs_ratio", pair, occupied, fewer * with_ants / without),
        _true("laid_odds_ratio", pair, occupied, odds),
        _true("eggs_given_laid_ratio", pair, occupied, fewer),
    ]
    return [*found, *_assigned(spec, seed)]


def _true(name: str, pair: tuple[str, str], where: str, value: float, unit: str = "1") -> TrueValue:
    return TrueValue("brood", name, *pair, where, float(value), unit)


def _assigned(spec: Spec, seed: int) -> list[TrueValue]:
    """Count eggs, plants with eggs and plants looked at in each arm, as expected of each plant's ants and leaf."""
    arms = len(spec.arms)
    total = np.zeros((3, arms))
    for replicate in range(_REPLICATES):
        life = simulate(spec, seed, replicate)
        plant, _, day = _seen(spec, life, visit_plants(spec, life, seed, replicate))
        rng = stream(seed, replicate, Purpose.LAYERS, 13_000)
        ants, arm = _defended(spec, life, plant, day), life.stand.arm[plant]
        chance = _chance(spec, ants)
        eggs = chance * _mean(spec, ants, _leaf(life, plant, day, rng))
        for i, values in enumerate((eggs, chance, np.ones(len(plant)))):
            total[i] += np.bincount(arm, values, arms)
    roles = [a.role for a in spec.arms]
    place = [roles.index("removal"), roles.index("sham"), roles.index("control")]
    found = []
    for i, j in pairwise(place):
        pair = spec.arms[i].name, spec.arms[j].name
        share = total[1] / total[2]
        odds = share / (1.0 - share)
        each, given = total[0] / total[2], total[0] / total[1]
        for name, values in (("eggs_ratio", each), ("laid_odds_ratio", odds), ("eggs_given_laid_ratio", given)):
            found.append(_true(name, pair, "as assigned", values[i] / values[j]))
    return found


BROODS = Layer("brood", 22, ("brood",), draw, truth)
