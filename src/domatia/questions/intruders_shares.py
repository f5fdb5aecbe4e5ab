"""Shares of trials that had come to some end by a time, by group, with clustered intervals."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from domatia.stats.incidence import incidence, influences
from domatia.stats.shares import Shares, clustered_shares

CAUSES = 2


@dataclass(frozen=True)
class Column:
    """Where a sort of end stands.

    Attributes
    ----------
    name : str
    time, cause : str
        Columns of the trials.
    of : int
        The cause that is meant.
    """

    name: str
    time: str
    cause: str
    of: int


def shares_at(rows: pl.DataFrame, names: tuple[str, ...], column: Column, when: float) -> Shares:
    """Give the share of each group for which the end had come by a time.

    Parameters
    ----------
    rows : polars.DataFrame
        `value`, `cluster`, `plant` and the columns named in `column`; at least two clusters.
    names : tuple of str
        Values of the groups, each with a row.
    column : Column
    when : float
        Seconds.
    """
    values, adds, units = np.empty(len(names)), [], np.empty(len(names), dtype=np.int64)
    group, plant = rows["value"], rows["plant"]
    time, cause = rows[column.time].to_numpy(), rows[column.cause].to_numpy()
    for j, name in enumerate(names):
        own = np.flatnonzero((group == name).to_numpy())
        chance = incidence(time[own], cause[own], CAUSES).at(np.array([when]))[0, column.of - 1]
        values[j] = np.round(chance, 12)
        adds.append((own, influences(time[own], cause[own], CAUSES, when)[:, column.of - 1]))
        units[j] = plant.gather(own).n_unique()
    return clustered_shares(values, adds, rows["cluster"].to_numpy().astype(np.int64), units)
