"""Transition probabilities from the eigenvectors of the intensity matrix, with exact derivatives (few covariate rows).

Method: P(t) = V exp(wt) V⁻¹; derivatives by the divided differences of the exponential in the eigenbasis
(Kalbfleisch and Lawless 1985, Journal of the American Statistical Association 80: 863–871, section 3; Najfeld and
Havel 1995, Advances in Applied Mathematics 16: 321–375). Does not hold for a matrix without a full set of eigenvectors;
`EigenBasis.condition` says how near to that it is.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from domatia.stats.arrays import Floats, Ints
from domatia.stats.multistate_pattern import Pattern

Numbers = NDArray[Any]


@dataclass(frozen=True, eq=False)
class EigenBasis:
    """Eigenvalues (C, S), eigenvectors and their inverses (C, S, S), and the worst condition number of them."""

    values: Numbers
    vectors: Numbers
    inverse: Numbers
    condition: float


def eigen_basis(generators: Floats) -> EigenBasis | None:
    """Eigenvectors of each intensity matrix, shape (C, S, S); None where one has no usable set."""
    try:
        values, vectors = np.linalg.eig(generators)
        inverse = np.linalg.inv(vectors)
    except np.linalg.LinAlgError:
        return None
    size = np.abs(vectors).sum(1).max(1) * np.abs(inverse).sum(1).max(1)
    condition = float(size.max())
    return EigenBasis(values, vectors, inverse, condition) if np.isfinite(condition) else None


def cell_probabilities(basis: EigenBasis, row: Ints, dt: Floats) -> Floats:
    """Transition matrices, shape (K, S, S), of covariate rows `row` over times `dt`, both of shape (K,)."""
    growth = np.exp(basis.values[row] * dt[:, None])
    product = (basis.vectors[row] * growth[:, None, :]) @ basis.inverse[row]
    return np.ascontiguousarray(np.real(product))


def divided_differences(basis: EigenBasis, row: Ints, dt: Floats) -> Numbers:
    """(exp(aᵢt) − exp(aⱼt)) / (aᵢ − aⱼ) over all pairs of eigenvalues, shape (K, S, S); t·exp(at) where they meet."""
    values = basis.values[row]
    growth = np.exp(values * dt[:, None])
    gap = values[:, :, None] - values[:, None, :]
    scaled = gap * dt[:, None, None]
    near = np.abs(scaled) < 1e-3
    series = dt[:, None, None] * growth[:, None, :] * (1 + scaled * (1 / 2 + scaled * (1 / 6 + scaled / 24)))
    quotient = (growth[:, :, None] - growth[:, None, :]) / np.where(near, 1.0, gap)
    return np.where(near, series, quotient)


def cell_pullback(pattern: Pattern, basis: EigenBasis, cells: tuple[Ints, Floats], seed: Floats) -> tuple[Ints, Floats]:
    """Turn the derivative of a number by the transition matrices into that by the intensities.

    Parameters
    ----------
    cells
        Covariate row and elapsed time of each matrix, shape (K,), sorted by covariate row.
    seed
        Derivative by the matrices, shape (K, S, S).

    Returns
    -------
    rows, gradient
        The covariate rows that occur, shape (c,), and the derivatives by their intensities, shape (c, J).
    """
    row, dt = cells
    vectors, inverse = basis.vectors[row], basis.inverse[row]
    inner = np.swapaxes(vectors, 1, 2) @ seed @ np.swapaxes(inverse, 1, 2)
    inner = inner * divided_differences(basis, row, dt)
    starts = np.flatnonzero(np.r_[True, row[1:] != row[:-1]])
    present = row[starts]
    summed = np.add.reduceat(inner, starts, 0)
    outer = np.swapaxes(basis.inverse[present], 1, 2) @ summed @ np.swapaxes(basis.vectors[present], 1, 2)
    outer = np.real(outer)
    return present, outer[:, pattern.origin, pattern.target] - outer[:, pattern.origin, pattern.origin]


def row_jacobian(pattern: Pattern, basis: EigenBasis, cells: tuple[Ints, Floats], rows: tuple[Ints, Ints]) -> Floats:
    """Differentiate rows of transition matrices by each intensity.

    Parameters
    ----------
    cells
        Covariate row and elapsed time of each matrix, shape (K,).
    rows
        Which matrix and which of its rows, shape (R,).

    Returns
    -------
    array
        Shape (R, S, J).
    """
    row, dt = cells
    cell, start = rows
    differences = divided_differences(basis, row, dt)
    vectors, inverse = basis.vectors[row], basis.inverse[row]
    leaving = vectors[cell, start][:, None, :] * np.swapaxes(inverse, 1, 2)[cell]
    spread = leaving @ differences[cell]
    turned = spread[:, pattern.origin] * (vectors[:, pattern.target] - vectors[:, pattern.origin])[cell]
    derivative = np.real(turned @ inverse[cell])
    return np.swapaxes(derivative, 1, 2)
