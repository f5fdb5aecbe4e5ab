"""From coefficients to intensities: log q = β₀ + xβ, with shared and left-out effects, and derivatives back."""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.multistate_pattern import Effects, Pattern

LARGEST_LOG = 600.0


@dataclass(frozen=True, eq=False)
class Design:
    """A linear map from P coefficients to the log intensities of J moves at C covariate rows.

    Inside, covariates are centred and scaled, so that coefficients and steps are of one size. `to_raw` leads back.

    Attributes
    ----------
    rows
        The centred and scaled covariate rows with a leading one, shape (C, 1 + p).
    spread_map
        Which coefficient stands at (covariate, move), shape ((1 + p)·J, P), of zeros and ones.
    centre, scale
        What was taken off and divided by, shape (p,).
    names
        Names of the P coefficients, the J baselines first.
    covariate
        Number of the covariate of each coefficient, −1 for baselines, shape (P,).
    moves
        J.
    """

    rows: Floats
    spread_map: Floats
    centre: Floats
    scale: Floats
    names: tuple[str, ...]
    covariate: Ints
    moves: int

    @property
    def size(self) -> int:
        """Number of coefficients P."""
        return int(self.spread_map.shape[1])

    @property
    def to_raw(self) -> Floats:
        """Matrix that turns the inner coefficients into those of the covariates as given, shape (P, P)."""
        turn = np.eye(self.size)
        for number in range(self.moves, self.size):
            which = self.covariate[number]
            turn[number, number] = 1.0 / self.scale[which]
            shared = self.spread_map[(1 + which) * self.moves : (2 + which) * self.moves, number]
            turn[: self.moves, number] -= shared * self.centre[which] / self.scale[which]
        return turn

    @property
    def from_raw(self) -> Floats:
        """The inverse of `to_raw`."""
        inverse: Floats = np.asarray(np.linalg.inv(self.to_raw), np.float64)
        return inverse

    def log_intensities(self, theta: Floats) -> Floats:
        """Log intensities at the covariate rows, shape (C, J)."""
        table = (self.spread_map @ theta).reshape(-1, self.moves)
        result: Floats = self.rows @ table
        return result

    def intensities(self, theta: Floats) -> Floats:
        """Intensities at the covariate rows, shape (C, J)."""
        result: Floats = np.exp(np.clip(self.log_intensities(theta), -LARGEST_LOG, LARGEST_LOG))
        return result

    def pull(self, by_rates: Floats) -> Floats:
        """Turn the derivative by the log intensities, shape (C, J), into that by the coefficients."""
        result: Floats = (self.rows.T @ by_rates).ravel() @ self.spread_map
        return result

    def spread(self, row: Ints, score: Floats) -> Floats:
        """Scores by the coefficients (n, P) from scores by the log intensities (n, J) at covariate rows (n,)."""
        wide = self.rows[row][:, :, None] * score[:, None, :]
        result: Floats = wide.reshape(len(score), self.spread_map.shape[0]) @ self.spread_map
        return result

    def new_information(self) -> Floats:
        """Make an empty information matrix over all (covariate, move), to be filled and then projected."""
        width = self.spread_map.shape[0]
        return np.zeros((width, width))

    def add_information(self, block: Floats, row: Ints, root: Floats) -> None:
        """Add the outer products of weighted derivatives by the log intensities.

        Parameters
        ----------
        block
            Changed in place.
        row
            Covariate row of each entry, shape (n,).
        root
            Derivatives times the root of their weights, shape (n, m, J).
        """
        starts = np.flatnonzero(np.r_[True, row[1:] != row[:-1]])
        width = self.rows.shape[1]
        if len(starts) * 8 > len(row):
            wide = self.rows[row][:, None, :, None] * root[:, :, None, :]
            flat = wide.reshape(-1, block.shape[0])
            block += flat.T @ flat
            return
        for low, high in zip(starts, np.r_[starts[1:], len(row)], strict=True):
            flat = root[low:high].reshape(-1, self.moves)
            line = self.rows[row[low]]
            outer = np.multiply.outer(np.outer(line, line), flat.T @ flat)
            block += outer.transpose(0, 2, 1, 3).reshape(width * self.moves, width * self.moves)

    def project(self, block: Floats) -> Floats:
        """Information of the coefficients, shape (P, P)."""
        result: Floats = self.spread_map.T @ block @ self.spread_map
        return result

    def at(self, covariates: Floats) -> "Design":
        """Give the same map at other covariate rows, shape (C, p), in the units given to the model."""
        rows = np.atleast_2d(np.asarray(covariates, np.float64))
        scaled = (rows - self.centre) / self.scale
        lined = np.hstack([np.ones((len(rows), 1)), scaled])
        return Design(lined, self.spread_map, self.centre, self.scale, self.names, self.covariate, self.moves)


def make_design(pattern: Pattern, effects: Effects, covariates: Floats, weights: Floats) -> Design:
    """Make a design for covariate rows of shape (C, p), centred and scaled by their weights, shape (C,)."""
    share = weights / weights.sum()
    centre = share @ covariates
    spread = np.sqrt(share @ (covariates - centre) ** 2)
    scale = np.where(spread > 1e-12 * (1.0 + np.abs(centre)), spread, 1.0)
    moves = pattern.moves
    columns, names, covariate = [], [], []
    for move, label in enumerate(pattern.labels):
        columns.append(_column(len(effects.names), moves, 0, np.arange(moves) == move))
        names.append(label)
        covariate.append(-1)
    for number, (name, labels) in enumerate(zip(effects.names, effects.labels, strict=True)):
        for group in np.unique(labels[labels >= 0]):
            inside = labels == group
            columns.append(_column(len(effects.names), moves, 1 + number, inside))
            names.append(f"{name}: " + ", ".join(np.array(pattern.labels)[inside].tolist()))
            covariate.append(number)
    rows = np.hstack([np.ones((len(covariates), 1)), (covariates - centre) / scale])
    return Design(rows, np.column_stack(columns), centre, scale, tuple(names), np.array(covariate, np.int64), moves)


def _column(covariates: int, moves: int, block: int, inside: Bools) -> Floats:
    column = np.zeros((1 + covariates, moves))
    column[block] = inside
    return column.ravel()
