"""Rows of transition matrices by whichever engine suits: eigenvectors or uniformisation."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.multistate_pattern import Pattern
from domatia.stats.transition_eigen import (
    EigenBasis,
    cell_probabilities,
    cell_pullback,
    eigen_basis,
    row_jacobian,
)
from domatia.stats.transition_uniform import rows_at_once, starting_rows

ENGINES = ("eigen", "uniform")
CELLS_AT_ONCE = 1024
WORST_CONDITION = 1e7
WORST_ERROR = 1e-7


class Engine(Protocol):
    """What a likelihood asks of an engine; log intensities are those of the covariate rows."""

    def probabilities(self) -> Floats:
        """Transition probabilities of all rows, shape (R, S)."""

    def pullback(self, seed: Floats) -> Floats:
        """Give the derivative by the log intensities, shape (C, J), from that by the probabilities, shape (R, S)."""

    def jacobians(self) -> Iterator[tuple[slice, Floats]]:
        """Ranges of rows and the derivatives of their probabilities by the log intensities, shape (r, S, J)."""


@dataclass(frozen=True, eq=False)
class Rows:
    """Which rows of which transition matrices are wanted.

    Attributes
    ----------
    pattern
        The allowed moves.
    cell_covariates, cell_dt
        Covariate row and elapsed time of each cell, shape (K,).
    row_cell, row_start
        Cell and starting state of each row, shape (R,), sorted by cell.
    by_covariates
        Whether cells are sorted by covariate row; only then are eigenvectors used.
    only
        Use this engine always; empty for whichever suits.
    """

    pattern: Pattern
    cell_covariates: Ints
    cell_dt: Floats
    row_cell: Ints
    row_start: Ints
    by_covariates: bool
    only: str = ""

    def engine(self, rates: Floats, hits: tuple[Ints, Ints]) -> Engine:
        """Choose an engine for intensities of shape (C, J).

        Eigenvectors are left where they are nearly dependent, or where rounding would reach the probabilities of what
        was seen: `hits` are the (row, state) pairs whose logarithms will be taken.
        """
        uniform = UniformRows(self, rates)
        if self.only == "uniform" or (not self.by_covariates and self.only != "eigen"):
            return uniform
        basis = eigen_basis(self.pattern.generators(rates))
        if basis is None or (basis.condition > WORST_CONDITION and not self.only):
            return uniform
        eigen = EigenRows(self, rates, basis)
        smallest = float(eigen.probabilities()[hits].min(initial=1.0))
        if not self.only and basis.condition * 2.2e-16 > WORST_ERROR * smallest:
            return uniform
        return eigen


class EigenRows:
    """Rows by eigenvectors."""

    def __init__(self, rows: Rows, rates: Floats, basis: EigenBasis) -> None:
        self.rows, self.rates, self.basis = rows, rates, basis
        self._known: Floats | None = None

    def _chunks(self) -> Iterator[tuple[slice, slice]]:
        count = len(self.rows.cell_dt)
        for low in range(0, count, CELLS_AT_ONCE):
            high = min(low + CELLS_AT_ONCE, count)
            first, last = np.searchsorted(self.rows.row_cell, [low, high])
            yield slice(low, high), slice(int(first), int(last))

    def probabilities(self) -> Floats:
        """Transition probabilities of all rows, shape (R, S)."""
        if self._known is None:
            known = np.empty((len(self.rows.row_cell), self.rows.pattern.size))
            for cells, part in self._chunks():
                matrices = cell_probabilities(self.basis, self.rows.cell_covariates[cells], self.rows.cell_dt[cells])
                known[part] = matrices[self.rows.row_cell[part] - cells.start, self.rows.row_start[part]]
            self._known = np.maximum(known, 0.0)
        return self._known

    def pullback(self, seed: Floats) -> Floats:
        """Give the derivative by the log intensities, shape (C, J)."""
        size = self.rows.pattern.size
        result = np.zeros_like(self.rates)
        for cells, part in self._chunks():
            wide = np.zeros((cells.stop - cells.start, size, size))
            wide[self.rows.row_cell[part] - cells.start, self.rows.row_start[part]] = seed[part]
            where = (self.rows.cell_covariates[cells], self.rows.cell_dt[cells])
            present, gradient = cell_pullback(self.rows.pattern, self.basis, where, wide)
            np.add.at(result, present, gradient)
        return result * self.rates

    def jacobians(self) -> Iterator[tuple[slice, Floats]]:
        """Ranges of rows and their derivatives."""
        for cells, part in self._chunks():
            where = (self.rows.cell_covariates[cells], self.rows.cell_dt[cells])
            which = (self.rows.row_cell[part] - cells.start, self.rows.row_start[part])
            derivative = row_jacobian(self.rows.pattern, self.basis, where, which)
            yield part, derivative * self.rates[where[0][which[0]]][:, None, :]


class UniformRows:
    """Rows by uniformisation."""

    def __init__(self, rows: Rows, rates: Floats) -> None:
        self.rows, self.rates = rows, rates
        self.row_covariates = rows.cell_covariates[rows.row_cell]
        self.row_dt = rows.cell_dt[rows.row_cell]

    def _chunks(self) -> Iterator[tuple[slice, Floats]]:
        """Ranges of rows and the intensities of each of their rows, shape (J, r)."""
        low, count = 0, len(self.row_dt)
        while low < count:
            high = min(low + 4096, count)
            rates = np.ascontiguousarray(self.rates[self.row_covariates[low:high]].T)
            fits = rows_at_once(self.rows.pattern, rates, self.row_dt[low:high])
            high = min(high, low + fits)
            yield slice(low, high), rates[:, : high - low]
            low = high

    def probabilities(self) -> Floats:
        """Transition probabilities of all rows, shape (R, S)."""
        result = np.empty((len(self.row_dt), self.rows.pattern.size))
        for part, rates in self._chunks():
            result[part] = starting_rows(self.rows.pattern, rates, self.row_dt[part], self.rows.row_start[part])[0].T
        return result

    def pullback(self, seed: Floats) -> Floats:
        """Give the derivative by the log intensities, shape (C, J)."""
        result = np.zeros_like(self.rates)
        for part, rates in self._chunks():
            _, back = starting_rows(self.rows.pattern, rates, self.row_dt[part], self.rows.row_start[part])
            gradient = back(np.ascontiguousarray(seed[part].T))
            row = self.row_covariates[part]
            low, high = int(row.min()), int(row.max()) + 1
            for move, line in enumerate(gradient):
                result[low:high, move] += np.bincount(row - low, line, minlength=high - low)
        return result

    def jacobians(self) -> Iterator[tuple[slice, Floats]]:
        """Ranges of rows and their derivatives."""
        size = self.rows.pattern.size
        for part, rates in self._chunks():
            count = part.stop - part.start
            _, back = starting_rows(self.rows.pattern, rates, self.row_dt[part], self.rows.row_start[part])
            derivative = np.empty((count, size, self.rows.pattern.moves))
            for state in range(size):
                seed = np.zeros((size, count))
                seed[state] = 1.0
                derivative[:, state] = back(seed).T
            yield part, derivative
