"""When the crew comes to each block, what it skips, which plants it finds and where it looks for ants."""

from dataclasses import dataclass

import numpy as np

from domatia.lifecycle.spec import MONTH_DAYS, Spec
from domatia.lifecycle.stand import Bools, Ints
from domatia.lifecycle.streams import Purpose, stream


@dataclass(frozen=True)
class Rounds:
    """The crew's calendar, in whole days since the block's treatment.

    Attributes
    ----------
    block_start : array of int, shape (blocks,)
        Days from the study's start to the block's treatment.
    day : array of int, shape (rounds, blocks)
        The first round lies before the treatment, so its days are negative or zero.
    searched : array of int, shape (rounds, blocks)
        2 fully, 1 partly (half of the plants), 0 not.
    reached, found, found_dead, looked : array of bool, shape (rounds, plants)
        Whether the crew comes to the plant's place; whether it then finds the plant if it lives, and if it is dead;
        whether it looks for ants on it.
    """

    block_start: Ints
    day: Ints
    searched: Ints
    reached: Bools
    found: Bools
    found_dead: Bools
    looked: Bools


def make_rounds(spec: Spec, seed: int, replicate: int) -> Rounds:
    """Draw the calendar: gaps about the wanted length, each block on its own days."""
    crew, shape = spec.crew, (spec.rounds, spec.blocks)
    rng = stream(seed, replicate, Purpose.SCHEDULE)
    start = rng.integers(0, int(crew.first_spread) + 1, spec.blocks)
    before = -rng.integers(1, 8, spec.blocks)
    gaps = np.rint(crew.gap_days + crew.gap_spread * rng.uniform(-1, 1, (spec.rounds - 1, spec.blocks)))
    after = np.minimum(np.cumsum(gaps, axis=0).astype(np.int64), int(spec.months * MONTH_DAYS) - 1)
    day = np.concatenate([before[None, :], after])
    luck = rng.random(shape)
    searched = np.where(luck < crew.block_skipped, 0, np.where(luck < crew.block_skipped + crew.block_partly, 1, 2))
    searched[0] = 2
    block = np.repeat(np.arange(spec.blocks), spec.plants_per_block)
    reached, found, found_dead, looked = (np.empty((spec.rounds, spec.n_plants), dtype=np.bool_) for _ in range(4))
    for r in range(spec.rounds):
        u = stream(seed, replicate, Purpose.FINDING, r).random((3, spec.n_plants))
        state = searched[r, block]
        reached[r] = (state == 2) | ((state == 1) & (u[2] < 0.5))
        found[r] = reached[r] & ((u[0] >= crew.not_found) | (r == 0))
        found_dead[r] = reached[r] & (u[0] >= crew.dead_not_found)
        looked[r] = found[r] & ((u[1] >= crew.not_looked) | (r == 0))
    return Rounds(start, day, searched.astype(np.int64), reached, found, found_dead, looked)
