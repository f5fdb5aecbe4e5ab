"""One month in the life of the plants: hazards of death, growth, browsing and loss of leaf."""

from dataclasses import dataclass

import numpy as np

from domatia.lifecycle.spec import REFERENCE_CM, Spec
from domatia.lifecycle.stand import Bools, Floats, Ints, Stand
from domatia.lifecycle.streams import Purpose, stream


@dataclass(frozen=True)
class AntEffects:
    """What each occupant does to its plant: nothing on a vacant plant and by a founding queen."""

    death: Floats
    growth: Floats
    leaf: Floats
    browse: Floats


def ant_effects(spec: Spec) -> AntEffects:
    """Give the effects of all occupants, multiplied by the specification's `help`."""

    def row(values: list[float]) -> Floats:
        return spec.help * np.array([0.0, *values, *(0.0 for _ in values)])

    return AntEffects(
        death=row([a.death for a in spec.ants]),
        growth=row([a.growth for a in spec.ants]),
        leaf=row([a.leaf for a in spec.ants]),
        browse=row([a.browse for a in spec.ants]),
    )


def handled(spec: Spec, stand: Stand) -> Bools:
    """Tell which plants the procedure touches: removal and sham."""
    touched = np.array([a.role != "control" for a in spec.arms])
    return np.asarray(touched[stand.arm], dtype=np.bool_)


def death_hazard(spec: Spec, stand: Stand, effects: AntEffects, occupant: Ints, log_height: Floats) -> Floats:
    """Give each plant's monthly hazard of death: base × exp(block + light + size + occupant + procedure)."""
    rates = spec.plants
    eta = stand.death + rates.death_size * (log_height - np.log(REFERENCE_CM)) + effects.death[occupant]
    if spec.treating.procedure_death:
        eta = eta + spec.treating.procedure_death * handled(spec, stand)
    return np.asarray(rates.death * np.exp(eta))


def leaf_loss(spec: Spec, stand: Stand, effects: AntEffects, occupant: Ints) -> Floats:
    """Give each plant's monthly rate at which leaf area is lost, as a share of what is left."""
    return np.asarray(spec.plants.leaf * np.exp(stand.leaf + effects.leaf[occupant]))


@dataclass(frozen=True)
class Growing:
    """The growth of one study's plants, month by month."""

    spec: Spec
    stand: Stand
    effects: AntEffects
    seed: int
    replicate: int

    def step(self, month: int, occupant: Ints) -> Floats:
        """Give the change of log height in this month, browsing included."""
        rates, n = self.spec.plants, self.stand.size
        yearly = rates.growth + self.stand.growth + self.effects.growth[occupant]
        if self.spec.treating.procedure_growth:
            yearly = yearly + self.spec.treating.procedure_growth * handled(self.spec, self.stand)
        noise = stream(self.seed, self.replicate, Purpose.GROWTH, month).standard_normal(n)
        u = stream(self.seed, self.replicate, Purpose.BROWSING, month).random((2, n))
        browsed = u[0] < -np.expm1(-rates.browsing * np.exp(self.effects.browse[occupant]))
        bite = rates.browsing_low + (rates.browsing_high - rates.browsing_low) * u[1]
        return np.asarray(yearly / 12.0 + rates.growth_noise * noise - np.where(browsed, bite, 0.0))
