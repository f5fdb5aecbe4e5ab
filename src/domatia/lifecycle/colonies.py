"""One month in the life of the colonies: who settles, who dies out, who is thrown out by a neighbour."""

from dataclasses import dataclass

import numpy as np

from domatia.lifecycle.spec import REFERENCE_LIGHT, Spec
from domatia.lifecycle.stand import Floats, Ints, Stand, capacity
from domatia.lifecycle.streams import Purpose, stream

LOST, TAKEN = 1, 2
"""How an occupied plant's ants can go: the colony dies out, or a neighbour's colony takes the plant."""


def founding_hazards(spec: Spec, stand: Stand) -> Floats:
    """Give the monthly hazard with which each ant settles on each plant while it is vacant, shape (plants, ants)."""
    more = (stand.light - REFERENCE_LIGHT) / 0.1
    base = np.log([a.founding for a in spec.ants])
    slopes = np.array([a.founding_light for a in spec.ants])
    removal = np.array([a.role == "removal" for a in spec.arms])[stand.arm]
    shared = stand.founding + spec.treating.founding * removal
    return np.asarray(np.exp(base + np.outer(more, slopes) + shared[:, None]))


@dataclass(frozen=True)
class Turn:
    """What would happen to each plant's occupant if nothing came first.

    Attributes
    ----------
    wait : array of float
        Months from the start of the month; beyond 1 nothing happens.
    occupant : array of int
        Who lives there afterwards.
    workers : array of float
        Workers of the new occupant.
    """

    wait: Floats
    occupant: Ints
    workers: Floats


@dataclass(frozen=True)
class Meeting:
    """The colonies of one study."""

    spec: Spec
    stand: Stand
    founding: Floats
    seed: int
    replicate: int

    def turn(self, month: int, occupant: Ints, workers: Floats) -> Turn:
        """Draw the next event of every plant's occupant; all read the state at the month's start.

        Parameters
        ----------
        month : int
        occupant, workers : array, shape (plants,)
            Dead plants hold no ants: their occupant is 0, and the caller ignores their turn.
        """
        n = self.stand.size
        chance = stream(self.seed, self.replicate, Purpose.CHOICE, month).random((2, n))
        other, attack = self._attacks(month, occupant, workers)
        loss = np.array([0.0, *(a.loss for a in self.spec.ants)])[occupant]
        vacant = occupant == 0
        edges = np.cumsum(self.founding, axis=1)
        rate = np.where(vacant, edges[:, -1], loss + attack)
        drawn = stream(self.seed, self.replicate, Purpose.OCCUPANCY, month).standard_exponential(n)
        wait = drawn / np.maximum(rate, 1e-300)
        settler = (chance[0][:, None] * edges[:, -1:] >= edges).sum(axis=1) + 1
        settler = np.minimum(settler, len(self.spec.ants))
        taken = chance[0] * rate < attack
        after = np.where(vacant, settler, np.where(taken, occupant[other], 0))
        moved = np.maximum(0.3 * workers[other], self.spec.colonies.start_workers)
        size = np.where(vacant, self.spec.colonies.start_workers, np.where(taken, moved, 0.0))
        return Turn(wait, after.astype(np.int64), size)

    def _attacks(self, month: int, occupant: Ints, workers: Floats) -> tuple[Ints, Floats]:
        """Give the neighbour that comes this month and the hazard that it takes the plant."""
        n, rates = self.stand.size, self.spec.colonies
        places = self.stand.neighbours.shape[1]
        pick = stream(self.seed, self.replicate, Purpose.NEIGHBOUR, month).integers(0, places, n)
        other = self.stand.neighbours[np.arange(n), pick]
        might = np.array([1.0, *(a.might for a in self.spec.ants)])
        foe = occupant[other]
        meets = (occupant > 0) & (foe > 0) & (foe != occupant)
        ratio = np.maximum(workers[other], 1.0) / np.maximum(workers, 1.0)
        odds = might[foe] / might[occupant] * ratio**rates.contest_power
        return other, np.where(meets, rates.contest * odds / (1.0 + odds), 0.0)

    def grown(self, occupant: Ints, workers: Floats, log_height: Floats) -> Floats:
        """Give the workers a month later: logistic growth to what the plant holds."""
        room = np.maximum(capacity(self.spec, log_height), 1.0)
        factor = np.exp(self.spec.colonies.growth)
        bigger = workers * factor / (1.0 + workers * (factor - 1.0) / room)
        return np.where(occupant > 0, np.maximum(bigger, 1.0), 0.0)
