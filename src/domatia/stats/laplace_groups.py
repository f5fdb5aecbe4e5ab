"""One or two groupings of rows, and the algebra of the matrix that the Laplace approximation needs.

Rows that share a group of both factors form a cell; everything that repeats within cells is summed to them first. The
matrix H = I + Λ Zᵀ W Z Λ then has a diagonal block for each factor and one entry for each cell between them. If every
inner group lies in one outer group (nested), the reduced matrix of the outer factor is diagonal too and all work is
linear in the number of groups; else (crossed) it is dense in the outer factor, the one with fewer groups.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from domatia.stats.arrays import Floats, Ints

if TYPE_CHECKING:
    from scipy.sparse import csr_array


@dataclass(frozen=True)
class Groups:
    """Cells of one or two groupings, for rows sorted so that each cell's rows are adjacent.

    Attributes
    ----------
    order : array, shape (n,)
        Row order in which everything below, and every array handed to the methods, is kept.
    starts, counts : array, shape (c,)
        First row and number of rows of each cell.
    inner, outer : array, shape (c,)
        Position of each cell's inner and outer group; `outer` is nought throughout if there is one grouping.
    inner_ids, outer_ids : array
        The codes at those positions.
    nested : bool
        Whether every inner group lies in one outer group.
    """

    order: Ints
    starts: Ints
    counts: Ints
    inner: Ints
    outer: Ints
    inner_ids: Ints
    outer_ids: Ints
    nested: bool

    def sum_rows(self, values: Floats) -> Floats:
        """Sum rows, or rows of a matrix, to cells."""
        total: Floats = np.add.reduceat(values, self.starts, axis=0)
        return total

    def spread(self, values: Floats) -> Floats:
        """Repeat each cell's value for its rows."""
        return np.repeat(values, self.counts)

    def to_inner(self, values: Floats) -> Floats:
        """Sum cells to inner groups."""
        total: Floats = np.bincount(self.inner, values, len(self.inner_ids)).astype(np.float64, copy=False)
        return total

    def to_outer(self, values: Floats) -> Floats:
        """Sum cells to outer groups."""
        total: Floats = np.bincount(self.outer, values, len(self.outer_ids)).astype(np.float64, copy=False)
        return total


def arrange(inner: Ints, outer: Ints | None, ties: tuple[Floats, ...]) -> Groups:
    """Sort rows into cells.

    Parameters
    ----------
    inner, outer : array, shape (n,)
        Codes of the groups; `outer` is None if there is one grouping.
    ties : tuple of array
        Columns that settle the order within a cell, so that sums do not depend on the order the rows came in.
    """
    inner_ids, a = np.unique(inner, return_inverse=True)
    outer_ids, b = np.unique(np.zeros_like(inner) if outer is None else outer, return_inverse=True)
    key = a.astype(np.int64) * len(outer_ids) + b
    order = np.lexsort((*ties, key))
    cells, starts, counts = np.unique(key[order], return_index=True, return_counts=True)
    cell_inner, cell_outer = cells // len(outer_ids), cells % len(outer_ids)
    nested = len(cells) == len(inner_ids)
    return Groups(order, starts, counts, cell_inner, cell_outer, inner_ids, outer_ids, nested)


@dataclass(frozen=True)
class Factored:
    """H factored for given weights of the cells and standard deviations of the two factors.

    Attributes
    ----------
    groups : Groups
    diagonal : array
        Inner block of H.
    link : array, shape (c,)
        Entry of H between each cell's two groups.
    reduced : array
        Reduced outer block: its diagonal if nested, else its lower Cholesky factor.
    """

    groups: Groups
    diagonal: Floats
    link: Floats
    reduced: Floats

    def log_determinant(self) -> float:
        """Return log det H."""
        if self.groups.nested:
            return float(np.log(self.diagonal).sum() + np.log(self.reduced).sum())
        return float(np.log(self.diagonal).sum() + 2 * np.log(np.diag(self.reduced)).sum())

    def solve(self, inner: Floats, outer: Floats) -> tuple[Floats, Floats]:
        """Solve H x = (inner, outer)."""
        g = self.groups
        ratio = self.link / self.diagonal[g.inner]
        right = outer - g.to_outer(ratio * inner[g.inner])
        if g.nested:
            x_outer = right / self.reduced
        else:
            from scipy.linalg import cho_solve

            x_outer = cho_solve((self.reduced, True), right)
        return inner / self.diagonal - g.to_inner(ratio * x_outer[g.outer]), x_outer

    def inverse_entries(self) -> tuple[Floats, Floats, Floats]:
        """Return the entries of H⁻¹ at each cell: inner-inner, inner-outer, outer-outer."""
        g = self.groups
        ratio = self.link / self.diagonal[g.inner]
        if g.nested:
            outer = 1 / self.reduced[g.outer]
            return 1 / self.diagonal[g.inner] + ratio**2 * outer, -ratio * outer, outer
        from scipy.linalg import cho_solve

        inverse = cho_solve((self.reduced, True), np.eye(len(self.reduced)))
        product = _sparse_cells(g, ratio) @ inverse
        inner = 1 / self.diagonal + g.to_inner(ratio * product[g.inner, g.outer])
        return inner[g.inner], -product[g.inner, g.outer], np.diag(inverse)[g.outer]


def factor(groups: Groups, weight: Floats, sd_inner: float, sd_outer: float) -> Factored:
    """Factor H for the cells' summed weights.

    Raises
    ------
    numpy.linalg.LinAlgError
        If H is not positive definite.
    """
    diagonal = 1 + sd_inner**2 * groups.to_inner(weight)
    outer = 1 + sd_outer**2 * groups.to_outer(weight)
    link = sd_inner * sd_outer * weight
    if diagonal.min() <= 0:
        raise np.linalg.LinAlgError("the curvature at the mode is not positive")
    if groups.nested:
        reduced = outer - groups.to_outer(link**2 / diagonal[groups.inner])
        if reduced.min() <= 0:
            raise np.linalg.LinAlgError("the curvature at the mode is not positive")
        return Factored(groups, diagonal, link, reduced)
    cells = _sparse_cells(groups, link / np.sqrt(diagonal[groups.inner]))
    return Factored(groups, diagonal, link, np.linalg.cholesky(np.diag(outer) - (cells.T @ cells).toarray()))


def _sparse_cells(groups: Groups, values: Floats) -> "csr_array":
    """Return the cells as a sparse matrix, inner by outer groups."""
    from scipy.sparse import csr_array

    indptr = np.append(0, np.cumsum(np.bincount(groups.inner, minlength=len(groups.inner_ids))))
    return csr_array((values, groups.outer, indptr), shape=(len(groups.inner_ids), len(groups.outer_ids)))
