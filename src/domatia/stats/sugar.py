"""Sugar and energy in nectar: refractometer readings at 20 °C, density, mass, joules.

A refractometer reads per cent by weight (g of sugar in 100 g of solution), a capillary measures volume, so the density
of the solution stands between them. Density: polynomial of Prys-Jones & Corbet (Bumblebees, 1991, after Weast's
handbook), within 0.05 % of printed sucrose tables from 10 to 60 %. Energy: 16.7 J a mg of sucrose, 4 cal (Heinrich
1975, Annu. Rev. Ecol. Syst. 6:139-170; sources give 16.5 to 16.8). Temperature: the International Temperature
Correction Table for sucrose (1936), every fifth degree from 10 to 30 °C, straight lines between; its values are from
memory, those below 20 °C agree within 0.02 with the printed table I of OIV method MA-AS2-02. All sugars are counted as
sucrose; amino acids and salts raise the reading, too.
"""

import numpy as np

from domatia.stats.arrays import Bools, Floats

JOULES_A_MG = 16.7
LEAST_C, MOST_C = 5.0, 40.0
"""Temperatures at which a reading can be corrected; beyond 10 and 30 °C the table is drawn on by straight lines."""
MOST_BRIX = 85.0
"""No sugar solution that flows holds more."""
_TEMPERATURES = np.array([5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0])
_PER_CENT = np.array([0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0])
_TABLE = np.array(
    [
        [-0.50, -0.58, -0.64, -0.68, -0.72, -0.74, -0.76],
        [-0.27, -0.31, -0.34, -0.35, -0.37, -0.38, -0.39],
        [0.00, 0.00, 0.00, 0.00, 0.00, 0.00, 0.00],
        [0.33, 0.36, 0.38, 0.39, 0.40, 0.40, 0.40],
        [0.72, 0.77, 0.79, 0.80, 0.81, 0.81, 0.81],
    ]
)


def _drawn_on() -> Floats:
    """Give the table with a row at either end, drawn on by a straight line."""
    cold = 2 * _TABLE[0] - _TABLE[1]
    hot = _TABLE[-1] + 2 * (_TABLE[-1] - _TABLE[-2])
    return np.vstack([cold, _TABLE, hot])


def at_20_degrees(brix_pct: Floats, temperature_c: Floats) -> Floats:
    """Correct readings of an instrument that does not correct by itself.

    Parameters
    ----------
    brix_pct : array
        Readings, per cent by weight.
    temperature_c : array
        Of the prism at the reading.

    Returns
    -------
    array
        Per cent by weight at 20 °C, never below nought; nan outside `LEAST_C` to `MOST_C`.
    """
    table, t = _drawn_on(), np.asarray(temperature_c, dtype=np.float64)
    c = np.clip(brix_pct, 0.0, 60.0)
    row = np.clip(np.searchsorted(_TEMPERATURES, t, side="right") - 1, 0, len(_TEMPERATURES) - 2)
    column = np.clip(np.searchsorted(_PER_CENT, c, side="right") - 1, 0, len(_PER_CENT) - 2)
    down = (t - _TEMPERATURES[row]) / (_TEMPERATURES[row + 1] - _TEMPERATURES[row])
    across = (c - _PER_CENT[column]) / 10.0
    above = table[row, column] * (1 - across) + table[row, column + 1] * across
    below = table[row + 1, column] * (1 - across) + table[row + 1, column + 1] * across
    inside: Bools = (t >= LEAST_C) & (t <= MOST_C)
    return np.where(inside, np.maximum(brix_pct + above * (1 - down) + below * down, 0.0), np.nan)


def density(brix_pct: Floats) -> Floats:
    """Give the density of a sucrose solution at 20 °C in mg a µL (g a mL), from per cent by weight."""
    c = np.asarray(brix_pct, dtype=np.float64)
    return np.asarray(0.9988603 + 0.0037291 * c + 0.0000178 * c**2)


def sugar_mg(volume_ul: Floats, brix_pct: Floats, dilution: Floats | float = 1.0) -> Floats:
    """Give the sugar in a volume of nectar.

    Parameters
    ----------
    volume_ul : array
        Taken up, before any dilution.
    brix_pct : array
        Per cent by weight at 20 °C of what was read: of the diluted nectar where it was diluted.
    dilution : array or float
        Volume after dilution over volume before; 1 for undiluted nectar.

    Returns
    -------
    array
        mg.
    """
    return np.asarray(volume_ul * dilution * np.asarray(brix_pct) / 100.0 * density(brix_pct))


def joules(mg: Floats) -> Floats:
    """Give the energy of sugar."""
    return np.asarray(JOULES_A_MG * np.asarray(mg, dtype=np.float64))
