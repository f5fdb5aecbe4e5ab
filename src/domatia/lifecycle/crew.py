"""The virtual crew on its rounds: what it writes of each plant, with its errors."""

from dataclasses import dataclass

import numpy as np

from domatia.lifecycle.life import Life, between_months
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import Bools, Floats, Ints
from domatia.lifecycle.streams import Purpose, stream

ALIVE, NO_TISSUE, DEAD, NOT_FOUND, NOT_VISITED = range(5)
STATUS = ("alive", "no live tissue", "dead confirmed", "not found", "not visited")

STAGES = ("none", "founding queen", "incipient", "patrolling", "established")
_ESTABLISHED_WORKERS = 250.0


@dataclass(frozen=True)
class Visits:
    """What the crew wrote of each plant at each round; rows in the order of rounds, then slots.

    Attributes
    ----------
    plant, round_ : array of int
    day : array of int
        Days since the study's start.
    observer : array of int
        Place in the list of people.
    status : array of int
        Place in `STATUS`.
    height_cm, basal_mm, openness_pct : array of float
        nan where not measured.
    leaves, domatia : array of int
        -1 where not counted.
    repeat_of : array of int
        Row that this row measures a second time, -1 for none.
    looked : array of bool
        Whether anybody looked for ants; only for rows that found the plant alive.
    taxon : array of int
        The ant as named: 0 none seen, else its place counted from 1.
    stage : array of int
        Place in `STAGES`.
    """

    plant: Ints
    round_: Ints
    day: Ints
    observer: Ints
    status: Ints
    height_cm: Floats
    basal_mm: Floats
    openness_pct: Floats
    leaves: Ints
    domatia: Ints
    repeat_of: Ints
    looked: Bools
    taxon: Ints
    stage: Ints

    @property
    def size(self) -> int:
        """Number of rows."""
        return len(self.plant)


def calendar_day(life: Life, round_: Ints, plant: Ints) -> Ints:
    """Give the day since the study's start on which a round came to a plant."""
    block = life.stand.block[plant]
    return life.rounds.block_start[block] + life.rounds.day[round_, block]


def observer_of(spec: Spec, seed: int, replicate: int, round_: Ints, block: Ints) -> Ints:
    """Give who wrote in that block at that round."""
    dealt = stream(seed, replicate, Purpose.PEOPLE).integers(0, len(spec.crew.people), (spec.rounds, spec.blocks))
    return np.asarray(dealt[round_, block], dtype=np.int64)


def _rows(spec: Spec, life: Life, seed: int, replicate: int) -> tuple[Ints, Ints, Ints]:
    """Give round, plant and status of every row: a plant confirmed dead is not looked for again."""
    crew, rounds, n = spec.crew, life.rounds, life.stand.size
    gone = np.zeros(n, dtype=np.bool_)
    parts: list[tuple[Ints, Ints, Ints]] = []
    for r in range(spec.rounds):
        u = stream(seed, replicate, Purpose.SEEING, r).random((2, n))
        lives = life.death_day > rounds.day[r, life.stand.block]
        if r == 0:
            lives = np.ones(n, dtype=np.bool_)
        as_alive = np.where((u[0] < crew.false_dead) & (r > 0), NO_TISSUE, ALIVE)
        as_dead = np.where(u[1] < crew.confirms_dead, DEAD, NO_TISSUE)
        found = np.where(lives, rounds.found[r], rounds.found_dead[r])
        status = np.where(found, np.where(lives, as_alive, as_dead), NOT_FOUND)
        status = np.where(rounds.reached[r], status, NOT_VISITED)
        listed = ~gone & (rounds.searched[r, life.stand.block] > 0)
        plant = np.flatnonzero(listed)
        parts.append((np.full(len(plant), r), plant, status[plant]))
        gone |= listed & (status == DEAD)
    round_, plant, status = (np.concatenate(c).astype(np.int64) for c in zip(*parts, strict=True))
    return round_, plant, status


def _add_repeats(spec: Spec, status: Ints, rng: np.random.Generator) -> tuple[Ints, Ints]:
    """Give the rows to copy as second measures, and `repeat_of` of all rows."""
    again = np.flatnonzero((status == ALIVE) & (rng.random(len(status)) < spec.crew.remeasured))
    return again, np.concatenate([np.full(len(status), -1), again]).astype(np.int64)


def visit_plants(spec: Spec, life: Life, seed: int, replicate: int) -> Visits:
    """Walk all rounds and write down what is seen."""
    round_, plant, status = _rows(spec, life, seed, replicate)
    rng = stream(seed, replicate, Purpose.MEASURES)
    again, repeat_of = _add_repeats(spec, status, rng)
    round_, plant, status = (np.concatenate([c, c[again]]) for c in (round_, plant, status))
    block, crew = life.stand.block[plant], spec.crew
    since = life.rounds.day[round_, block].astype(np.float64)
    n, alive = len(plant), status == ALIVE
    log_height = between_months(life.log_height, plant, since)
    noise = rng.standard_normal((3, n))
    true_cm = np.exp(log_height)
    height = np.maximum(np.rint(true_cm * np.exp(crew.height_error * noise[0])), 1.0)
    basal = np.round(0.55 * true_cm**0.75 * np.exp(crew.basal_error * noise[1]), 1)
    openness = np.clip(100 * life.stand.light[plant] + 100 * crew.openness_error * noise[2], 0.5, 99.5)
    looked = alive & life.rounds.looked[round_, plant] & (repeat_of < 0)
    taxon, stage = _ants(spec, life, plant, since, rng)
    return Visits(
        plant=plant,
        round_=round_,
        day=calendar_day(life, round_, plant),
        observer=observer_of(spec, seed, replicate, round_, block),
        status=status,
        height_cm=np.where(alive, height, np.nan),
        basal_mm=np.where(alive, basal, np.nan),
        openness_pct=np.where(alive & (repeat_of < 0), np.round(openness, 1), np.nan),
        leaves=np.where(alive, rng.poisson(0.8 * true_cm**0.75), -1),
        domatia=np.where(alive, rng.poisson(0.25 * true_cm), -1),
        repeat_of=repeat_of,
        looked=looked,
        taxon=np.where(looked, taxon, 0),
        stage=np.where(looked, stage, 0),
    )


def _ants(spec: Spec, life: Life, plant: Ints, since: Floats, rng: np.random.Generator) -> tuple[Ints, Ints]:
    """Give the ant as the crew names it and the stage of its colony. A treatment follows the look of its own visit."""
    kinds = len(spec.ants)
    state = life.changes.at(plant, since - 1e-3)
    ant = np.where(state > kinds, state - kinds, state)
    workers = between_months(life.workers, plant, since)
    u = rng.random((2, len(plant)))
    held = np.where(workers < _ESTABLISHED_WORKERS, STAGES.index("patrolling"), STAGES.index("established"))
    young = np.where(u[0] < 0.5, STAGES.index("founding queen"), STAGES.index("incipient"))
    stage = np.where(state > kinds, young, np.where(state > 0, held, 0))
    other = (ant - 1 + rng.integers(1, kinds, len(plant))) % kinds + 1
    wrong = u[1] < spec.crew.misnamed
    return np.where(ant == 0, 0, np.where(wrong, other, ant)), stage
