"""True spells: from when to when each plant was in which state, with exact days."""

from dataclasses import dataclass

import numpy as np

from domatia.lifecycle.life import Life
from domatia.lifecycle.stand import Floats, Ints

OVER, DIED = -1, -2
"""What ends a spell beside another state: the end of the time looked at, or death."""


@dataclass(frozen=True)
class Spells:
    """Spells in the order of plants and days.

    Attributes
    ----------
    plant : array of int
    start, stop : array of float
        Days since the treatment.
    state : array of int
    ends : array of int
        The next state, `OVER` or `DIED`.
    """

    plant: Ints
    start: Floats
    stop: Floats
    state: Ints
    ends: Ints


def spells(life: Life, label: Ints, until: float) -> Spells:
    """Cut the time from day 0 to `until` into spells; neighbouring spells of one label are one spell.

    Parameters
    ----------
    life : Life
    label : array of int
        The state that each occupant (see `Stand.occupant`) counts as.
    until : float
        Days since the treatment.
    """
    changes = life.changes
    plant, state = changes.plant, label[changes.after]
    last = np.append(plant[1:] != plant[:-1], True)
    start = np.maximum(changes.day, 0.0)
    end_of_plant = np.minimum(life.death_day, until)[plant]
    stop = np.minimum(np.where(last, np.inf, np.append(start[1:], np.inf)), end_of_plant)
    kept = stop > start
    plant, state, start, stop = plant[kept], state[kept], start[kept], stop[kept]
    first = np.append(True, (plant[1:] != plant[:-1]) | (state[1:] != state[:-1]))
    begins = np.flatnonzero(first)
    ends_at = np.append(begins[1:], len(plant)) - 1
    plant, state, start, stop = plant[begins], state[begins], start[begins], stop[ends_at]
    same = np.append(plant[1:] == plant[:-1], False)
    died = life.death_day[plant] <= until
    ends = np.where(same, np.append(state[1:], OVER), np.where(died, DIED, OVER))
    return Spells(plant, start, stop, state, ends)


def as_live_queen(ants: int) -> Ints:
    """Count a plant as held from the settling of a queen on: 0 vacant, 1 to K the ant."""
    return np.concatenate([[0], np.arange(1, ants + 1), np.arange(1, ants + 1)]).astype(np.int64)


def as_patrolling(ants: int) -> Ints:
    """Count a plant as held once workers patrol: 0 vacant, 1 founding, 2 to K + 1 the ant."""
    return np.concatenate([[0], np.arange(2, ants + 2), np.ones(ants)]).astype(np.int64)


def as_held(ants: int) -> Ints:
    """Count a plant as held once workers patrol, before that as free: 0 free, 1 to K the ant."""
    return np.concatenate([[0], np.arange(1, ants + 1), np.zeros(ants)]).astype(np.int64)
