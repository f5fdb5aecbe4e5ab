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
    exposure
        For moves whose intensity has gone to zero everywhere: the time at risk of one, so that −log(1 − level) over it
        is an upper limit of the intensity (rule of three: Hanley and Lippman-Hand 1983, JAMA 249: 1743–1745). Not a
        number for other moves, shape (J,).
    """

    directions: Floats
    touched: Bools
    boundary: tuple[str, ...]
    unidentified: tuple[str, ...]
    exposure: Floats


def find_loose(likelihood: Likelihood, theta: Floats, information: Floats) -> Loose:
    """Find the flat directions at a maximum; an information below one ten-thousandth of a move counts as none."""
    values, vectors = np.linalg.eigh(information)
    flat = values < np.maximum(LEAST_INFORMATION, 1e-13 * values.max())
    directions = vectors[:, flat]
    design = likelihood.design
    if not flat.any():
        return Loose(directions, np.zeros(design.size, np.bool_), (), (), np.full(design.moves, np.nan))
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
        _exposure(likelihood, theta, touched[: design.moves] & at_boundary[: design.moves]),
    )


def _touched(raw: Floats) -> Bools:
    """Coefficients with a noticeable part in the space of the directions, shape (P,)."""
    if not raw.shape[1]:
        return np.zeros(len(raw), np.bool_)
    basis, _ = np.linalg.qr(raw)
    part: Bools = np.linalg.norm(basis, axis=1) > 0.02
    return part


def _moves_expected(likelihood: Likelihood, theta: Floats) -> Floats:
    """Intensity times all time watched at each covariate row, shape (C, J)."""
    cells = likelihood.cells
    count, pair_row = len(cells.covariates), cells.pair_row
    time = np.zeros(count)
    time += np.bincount(cells.row_covariates[pair_row], cells.pair_count * cells.row_dt[pair_row], minlength=count)
    if cells.chains is not None:
        first_row = cells.chains.rows.min(1)
        time += np.bincount(cells.chains.covariates, cells.row_dt[first_row], minlength=count)
    return likelihood.design.intensities(theta) * time[:, None]


def _exposure(likelihood: Likelihood, theta: Floats, loose: Bools) -> Floats:
    gone = loose & (_moves_expected(likelihood, theta) < NO_MOVES).all(0)
    rates = np.maximum(likelihood.design.intensities(theta), 1e-200)
    _, slope = likelihood.by_log_rates(rates)
    time = -(slope / rates).sum(0)
    return np.where(gone & (time > 0), time, np.nan)


def _vanishing(likelihood: Likelihood, theta: Floats, directions: Floats) -> Bools:
    """Which directions only move intensities that have gone to zero, shape (k,)."""
    design, moves = likelihood.design, _moves_expected(likelihood, theta)
    result = np.zeros(directions.shape[1], np.bool_)
    for number, direction in enumerate(directions.T):
        change = np.abs(design.log_intensities(direction))
        moved = change > np.maximum(0.02 * change.max(), 1e-6)
        result[number] = bool(moved.any() and (moves[moved] < NO_MOVES).all())
    return result


def inverse_information(information: Floats, loose: Loose) -> Floats:
    """Covariance of the inner coefficients, with the flat directions left out (their variance is infinite)."""
    if not loose.directions.shape[1]:
        return np.asarray(np.linalg.inv(information), np.float64)
    values, vectors = np.linalg.eigh(information)
    keep = values >= np.maximum(LEAST_INFORMATION, 1e-13 * values.max())
    result: Floats = (vectors[:, keep] / values[keep]) @ vectors[:, keep].T
    return result
