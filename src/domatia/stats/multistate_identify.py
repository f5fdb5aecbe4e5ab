"""What a panel cannot tell about a multi-state model: boundaries and unidentified coefficients."""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Bools, Floats
from domatia.stats.multistate_likelihood import Likelihood

LEAST_INFORMATION = 1e-4
NO_MOVES = 1e-3


@dataclass(frozen=True, eq=False)
class Loose:
    """Directions in which the log-likelihood is flat.

    Attributes
    ----------
    directions
        Orthonormal, of the inner coefficients, shape (P, k).
    touched
        Which coefficients (as given) a flat direction moves, shape (P,).
    boundary
        Names of those whose intensity goes to zero for some covariate row: never seen where possible.
    unidentified
        Names of the others: nothing in the data speaks of them, or only together.
    """

    directions: Floats
    touched: Bools
    boundary: tuple[str, ...]
    unidentified: tuple[str, ...]


def find_loose(likelihood: Likelihood, theta: Floats, information: Floats) -> Loose:
    """Find the flat directions at a maximum; an information below one ten-thousandth of a move counts as none."""
    values, vectors = np.linalg.eigh(information)
    flat = values < np.maximum(LEAST_INFORMATION, 1e-13 * values.max())
    directions = vectors[:, flat]
    design = likelihood.design
    if not flat.any():
        return Loose(directions, np.zeros(design.size, np.bool_), (), ())
    width = np.where(design.covariate >= 0, np.append(design.scale, 1.0)[design.covariate], 1.0)
    raw = (design.to_raw @ directions) * width[:, None]
    touched = _touched(raw)
    vanishing = _vanishing(likelihood, theta, directions)
    at_boundary = _touched((design.to_raw @ directions[:, vanishing]) * width[:, None])
    names = np.array(design.names, dtype=object)
    return Loose(
        directions,
        touched,
        tuple(names[touched & at_boundary].tolist()),
        tuple(names[touched & ~at_boundary].tolist()),
    )


def _touched(raw: Floats) -> Bools:
    """Coefficients with a noticeable part in the space of the directions, shape (P,)."""
    if not raw.shape[1]:
        return np.zeros(len(raw), np.bool_)
    basis, _ = np.linalg.qr(raw)
    part: Bools = np.linalg.norm(basis, axis=1) > 0.02
    return part


def _vanishing(likelihood: Likelihood, theta: Floats, directions: Floats) -> Bools:
    """Which directions only move intensities that have gone to zero, shape (k,)."""
    cells, design = likelihood.cells, likelihood.design
    count = len(cells.covariates)
    pair_row = cells.pair_row
    time = np.bincount(cells.row_covariates[pair_row], cells.pair_count * cells.row_dt[pair_row], minlength=count)
    moves = design.intensities(theta) * time[:, None]
    result = np.zeros(directions.shape[1], np.bool_)
    for number, direction in enumerate(directions.T):
        change = np.abs(design.log_intensities(direction))
        moved = change > 0.02 * change.max()
        result[number] = bool((moves[moved] < NO_MOVES).all())
    return result


def inverse_information(information: Floats, loose: Loose) -> Floats:
    """Covariance of the inner coefficients, with the flat directions left out (their variance is infinite)."""
    if not loose.directions.shape[1]:
        return np.asarray(np.linalg.inv(information), np.float64)
    values, vectors = np.linalg.eigh(information)
    keep = values >= np.maximum(LEAST_INFORMATION, 1e-13 * values.max())
    result: Floats = (vectors[:, keep] / values[keep]) @ vectors[:, keep].T
    return result
