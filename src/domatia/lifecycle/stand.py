"""The plants as they stand at the first visit: where, in which light, how large, with which ants, under which arm."""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from domatia.lifecycle.spec import REFERENCE_CM, REFERENCE_LIGHT, Spec
from domatia.lifecycle.streams import Purpose, stream

Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.int64]
Bools: TypeAlias = NDArray[np.bool_]

BLOCK_SIDE_M = 40.0


@dataclass(frozen=True)
class Stand:
    """All plants of a study, one slot each; slots of a block follow one another.

    Attributes
    ----------
    block, habitat, arm : array of int, shape (plants,)
    light : array of float
        Openness as a share.
    x_m, y_m : array of float
        Position within the block.
    neighbours : array of int, shape (plants, neighbours)
        Slots of the nearest plants of the same block.
    death, growth, leaf, founding : array of float
        What block, light and the plant itself add to the log hazard of death, to the growth rate (per year), to the
        log rate of leaf loss and to the log hazard of being settled (light left out there: it differs by ant).
    log_height, workers : array of float
    occupant : array of int
        0 vacant; 1 to K a patrolling colony of that ant of the specification; K + 1 to 2 K a founding queen of it.
    """

    block: Ints
    habitat: Ints
    arm: Ints
    light: Floats
    x_m: Floats
    y_m: Floats
    neighbours: Ints
    death: Floats
    growth: Floats
    leaf: Floats
    founding: Floats
    log_height: Floats
    workers: Floats
    occupant: Ints

    @property
    def size(self) -> int:
        """Number of plants."""
        return len(self.block)


def _dealt_arms(spec: Spec, seed: int, replicate: int, turn: int) -> Ints:
    even = np.arange(spec.plants_per_block) % len(spec.arms)
    rng = stream(seed, replicate, Purpose.ARMS)
    dealt = rng.permuted(np.tile(even, (spec.blocks, 1)), axis=1).ravel().astype(np.int64)
    return (dealt + turn) % len(spec.arms)


def _neighbours(x: Floats, y: Floats, spec: Spec) -> Ints:
    shape = (spec.blocks, spec.plants_per_block)
    bx, by = x.reshape(shape), y.reshape(shape)
    wanted = min(spec.colonies.neighbours, spec.plants_per_block - 1)
    found = np.empty((*shape, wanted), dtype=np.int64)
    for b in range(spec.blocks):
        far = (bx[b, :, None] - bx[b, None, :]) ** 2 + (by[b, :, None] - by[b, None, :]) ** 2
        np.fill_diagonal(far, np.inf)
        found[b] = np.argsort(far, axis=1, kind="stable")[:, :wanted] + b * spec.plants_per_block
    return found.reshape(-1, wanted)


def _first_occupants(spec: Spec, light: Floats, u: Floats) -> Ints:
    """Draw the occupants: the odds of each ant against none follow its own response to light."""
    shares = np.array([a.share for a in spec.ants])
    slopes = np.array([a.founding_light for a in spec.ants])
    held = 1.0 - spec.colonies.vacant_share
    odds = held * shares / shares.sum() * np.exp(np.outer(light - REFERENCE_LIGHT, slopes) / 0.1)
    whole = odds.sum(axis=1) + spec.colonies.vacant_share
    edges = np.cumsum(odds, axis=1)
    ant = (u[:, None] * whole[:, None] >= edges).sum(axis=1) + 1
    return np.where(ant > len(spec.ants), 0, ant).astype(np.int64)


def capacity(spec: Spec, log_height: Floats) -> Floats:
    """Give the workers that plants of this log height hold."""
    return spec.colonies.capacity * np.exp(log_height) / 100.0


def make_stand(spec: Spec, seed: int, replicate: int, turn: int = 0) -> Stand:
    """Draw the plants of a study as they stand before any treatment.

    Parameters
    ----------
    spec : Spec
    seed, replicate : int
    turn : int
        By how many places the draw's arms are moved on: over all turns every plant is once in each arm.
    """
    n, rates = spec.n_plants, spec.plants
    block = np.repeat(np.arange(spec.blocks), spec.plants_per_block)
    habitat = block % len(spec.habitats)
    means = np.array([h.light for h in spec.habitats])[habitat]
    spreads = np.array([h.light_sd for h in spec.habitats])[habitat]
    light = np.clip(means + spreads * stream(seed, replicate, Purpose.LIGHT).standard_normal(n), 0.02, 0.95)
    more = (light - REFERENCE_LIGHT) / 0.1
    effects = stream(seed, replicate, Purpose.BLOCKS).standard_normal((spec.blocks, 4))[block]
    sizes = stream(seed, replicate, Purpose.SIZES).standard_normal((3, n))
    places = stream(seed, replicate, Purpose.POSITIONS).random((2, n)) * BLOCK_SIDE_M
    chance = stream(seed, replicate, Purpose.OCCUPANTS).random((2, n))
    occupant = _first_occupants(spec, light, chance[0])
    log_height = np.log(rates.start_cm) + rates.start_sd * sizes[0]
    young = (occupant > 0) & (chance[1] < spec.colonies.founding_share)
    grown = 0.3 + 0.7 * (chance[1] - spec.colonies.founding_share) / (1.0 - spec.colonies.founding_share)
    workers = np.where(young, spec.colonies.queen_workers, grown * capacity(spec, log_height))
    workers = np.where(occupant > 0, workers, 0.0)
    return Stand(
        block=block,
        habitat=habitat,
        arm=_dealt_arms(spec, seed, replicate, turn),
        light=light,
        x_m=places[0],
        y_m=places[1],
        neighbours=_neighbours(places[0], places[1], spec),
        death=rates.death_block * effects[:, 0] + rates.death_light * more,
        growth=rates.growth_block * effects[:, 1] + rates.growth_light * more + rates.growth_plant * sizes[1],
        leaf=rates.leaf_block * effects[:, 2] + rates.leaf_light * more + rates.leaf_plant * sizes[2],
        founding=rates.founding_block * effects[:, 3],
        log_height=log_height,
        workers=workers,
        occupant=np.where(young, occupant + len(spec.ants), occupant),
    )


__all__ = ["BLOCK_SIDE_M", "REFERENCE_CM", "Bools", "Floats", "Ints", "Stand", "capacity", "make_stand"]
