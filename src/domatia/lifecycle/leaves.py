"""The fate of single leaves under the plant's rate of loss.

A leaf loses area by a gamma process: over a time in which its plant's cumulated rate rises by `R`, the log of what is
left falls by a gamma variate of mean `R` and shape `evenness × R`. A leaf of which more than `leaf_gone` is missing
has vanished as eaten; leaves also drop whole, at a constant hazard, whatever their damage.
"""

import numpy as np

from domatia.lifecycle.spec import PlantRates
from domatia.lifecycle.stand import Bools, Floats, Ints

START_MONTHS = 0.3
"""Leaves are marked young: they have lost what their plant loses in this many months."""

PRESENT, EATEN, DROPPED = 0, 1, 2


def area_lost(rates: PlantRates, exposure: Floats, rng: np.random.Generator) -> Floats:
    """Draw by how much the log of what is left falls, for each leaf's exposure."""
    shape = np.maximum(rates.leaf_evenness * exposure, 1e-9)
    return np.asarray(rng.standard_gamma(shape) / rates.leaf_evenness)


def missing(fallen: Floats) -> Floats:
    """Give the share of the leaf that is missing once the log of what is left has fallen by so much."""
    return np.asarray(-np.expm1(-fallen))


def drops(rates: PlantRates, months: Floats, rng: np.random.Generator) -> Bools:
    """Draw which leaves drop within so many months."""
    return np.asarray(rng.random(len(months)) < -np.expm1(-rates.leaf_drop * months), dtype=np.bool_)


def fate(rates: PlantRates, fallen: Floats, dropped: Bools) -> Ints:
    """Give each leaf's fate: present, eaten, dropped (one that was eaten up has been eaten before it could drop)."""
    eaten = missing(fallen) > rates.leaf_gone
    return np.where(eaten, EATEN, np.where(dropped, DROPPED, PRESENT)).astype(np.int64)
