"""One month in the life of the colonies: who settles, who begins to patrol, who dies out, who is thrown out.

A queen settles on a vacant plant and founds; after a while her workers patrol; a colony dies out by itself or is
thrown out by a patrolling colony of another ant from one of the nearest plants.
"""

from dataclasses import dataclass

import numpy as np

from domatia.lifecycle.spec import REFERENCE_LIGHT, Spec
from domatia.lifecycle.stand import Bools, Floats, Ints, Stand, capacity
from domatia.lifecycle.streams import Purpose, stream


def founding_hazards(spec: Spec, stand: Stand) -> Floats:
    """Give the monthly hazard with which queens of each ant settle on each vacant plant, shape (plants, ants)."""
    more = (stand.light - REFERENCE_LIGHT) / 0.1
    base = np.log([a.founding for a in spec.ants])
    slopes = np.array([a.founding_light for a in spec.ants])
    removal = np.array([a.role == "removal" for a in spec.arms])[stand.arm]
    shared = stand.founding + spec.treating.founding * removal
    return np.asarray(np.exp(base + np.outer(more, slopes) + shared[:, None]))


@dataclass(frozen=True)
class Held:
    """Who lives on each plant, and how many workers there are.

    Attributes
    ----------
    occupant : array of int, shape (plants,)
        As in `Stand.occupant`; 0 on dead plants.
    workers : array of float, shape (plants,)
    """

    occupant: Ints
    workers: Floats


@dataclass(frozen=True)
class Turn:
    """What happens next to the occupants of some plants, if nothing comes first.

    Attributes
    ----------
    wait : array of float
        Months from now.
    occupant : array of int
        Who lives there afterwards.
    workers : array of float
        Workers of the new occupant.
    taken : array of bool
        Whether a neighbour's colony takes the plant.
    """

    wait: Floats
    occupant: Ints
    workers: Floats
    taken: Bools


@dataclass(frozen=True)
class Meeting:
    """The colonies of one study."""

    spec: Spec
    stand: Stand
    founding: Floats
    seed: int
    replicate: int

    def turn(self, step: int, which: Ints, now: Held, before: Held) -> Turn:
        """Draw the next event of the occupants of some plants.

        Parameters
        ----------
        step : int
            Number of the draw; each opens a stream of its own, from which every plant has its number.
        which : array of int
            The plants.
        now, before : Held
            The state of all plants now, and that at the month's start, in which neighbours are seen.
        """
        n, ants, rates = self.stand.size, len(self.spec.ants), self.spec.colonies
        rng = stream(self.seed, self.replicate, Purpose.OCCUPANCY, step)
        drawn = rng.standard_exponential(n)[which]
        pick, chance = rng.random((2, n))[:, which]
        occupant, workers = now.occupant[which], now.workers[which]
        nearest = self.stand.neighbours[which]
        other = nearest[np.arange(len(which)), (pick * nearest.shape[1]).astype(np.int64)]
        foe, theirs = before.occupant[other], before.workers[other]
        attack = self._attack(occupant, workers, foe, theirs)
        vacant, founding = occupant == 0, occupant > ants
        edges = np.cumsum(self.founding[which], axis=1)
        loss = np.array([0.0, *(a.loss for a in self.spec.ants), *(rates.fails for _ in self.spec.ants)])[occupant]
        mature = np.where(founding, rates.matures, 0.0)
        rate = np.where(vacant, edges[:, -1], attack + mature + loss)
        settler = np.minimum((chance[:, None] * edges[:, -1:] >= edges).sum(axis=1), ants - 1) + 1 + ants
        at = chance * rate
        taken, matured = ~vacant & (at < attack), founding & (at >= attack) & (at < attack + mature)
        after = np.where(matured, occupant - ants, 0)
        after = np.where(vacant, settler, np.where(taken, foe, after))
        moved = np.maximum(0.3 * theirs, rates.first_patrol)
        size = np.where(taken, moved, np.where(matured, rates.first_patrol, 0.0))
        size = np.where(vacant, rates.queen_workers, size)
        return Turn(drawn / np.maximum(rate, 1e-300), after.astype(np.int64), size, taken)

    def _attack(self, occupant: Ints, workers: Floats, foe: Ints, theirs: Floats) -> Floats:
        """Give the hazard that the neighbour that comes this time takes the plant: only patrollers attack."""
        ants, rates = len(self.spec.ants), self.spec.colonies
        strength = np.array([a.might for a in self.spec.ants])
        might = np.array([1.0, *strength, *strength])
        own = np.where(occupant > ants, occupant - ants, occupant)
        meets = (own > 0) & (foe > 0) & (foe <= ants) & (foe != own)
        ratio = np.maximum(theirs, 1.0) / np.maximum(workers, 1.0)
        odds = might[foe] / might[occupant] * ratio**rates.contest_power
        return np.where(meets, rates.contest * odds / (1.0 + odds), 0.0)

    def grown(self, occupant: Ints, workers: Floats, log_height: Floats) -> Floats:
        """Give the workers a month later: logistic growth of patrolling colonies to what the plant holds."""
        room = np.maximum(capacity(self.spec, log_height), 1.0)
        factor = np.exp(self.spec.colonies.growth)
        bigger = workers * factor / (1.0 + workers * (factor - 1.0) / room)
        patrols = (occupant > 0) & (occupant <= len(self.spec.ants))
        return np.where(patrols, np.maximum(bigger, 1.0), np.where(occupant > 0, workers, 0.0))
