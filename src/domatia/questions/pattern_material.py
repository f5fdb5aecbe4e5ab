"""From a study to points in windows: mapped plants, their ants, and the strata within which ants are exchanged."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.looks import FOUNDING, UNNAMED, VACANT
from domatia.histories.positions import Plot, Positions, positions
from domatia.model import Rows, StudyData
from domatia.stats.point_labels import Labelling
from domatia.stats.point_pairs import Pairs, close_pairs, nearest
from domatia.stats.point_pooled import parts_of
from domatia.stats.point_window import Window, hull_window, window_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

OUTSIDE = "it is mapped outside the outline of its plot"
NO_WINDOW = "its plot has no outline and too few mapped plants to guess one"
NO_COLONY = "it was vacant; it counts only where vacant plants are asked for"
FOUNDED = "it held no more than a founding queen or an incipient colony"
NO_NAME = "its ant was not named, or there were several"
FEWEST_PLOTS = 6
SEVERAL = "several"
_FALLBACK_M = 1.0
_MOST_PAIRS = 1e6


@dataclass(frozen=True, eq=False)
class Material:
    """Plants that stand in a window, and their occupants at one moment.

    Attributes
    ----------
    spots : Positions
    table : polars.DataFrame
        As in `Positions.table`, of the plants inside their windows, with `code` (plot as 0, 1, ...) and `cluster`.
    windows : tuple of Window
        By code.
    names : tuple of str
        Names of the plots, by code.
    guessed : tuple of str
        Plots whose window is the hull of their plants.
    by_parts : bool
        Whether parts of plots stand for plots in the intervals, since there are too few plots.
    left_out : dict of str to list of bytes
    """

    spots: Positions
    table: pl.DataFrame
    windows: tuple[Window, ...]
    names: tuple[str, ...]
    guessed: tuple[str, ...]
    by_parts: bool
    left_out: dict[str, list[bytes]]

    @cached_property
    def held(self) -> pl.DataFrame:
        """Plants with a colony, named or not."""
        return self.table.filter(~pl.col("state").is_in([VACANT, FOUNDING]))

    @cached_property
    def ants(self) -> tuple[str, ...]:
        """Names of the ants, the most frequent first."""
        named = self.held.filter(~pl.col("state").is_in([UNNAMED, SEVERAL]))
        counts = named.group_by("state").len().sort(["len", "state"], descending=[True, False])
        return tuple(counts["state"].to_list())

    @cached_property
    def colonies(self) -> "Points":
        """Plants with a colony of a named ant; labels are places in `ants`."""
        own = self.held.filter(pl.col("state").is_in(self.ants))
        return Points(own, np.array([self.ants.index(s) for s in own["state"]], dtype=np.int64))

    @cached_property
    def living(self) -> "Points":
        """All living plants; label 1 with a colony, 0 without."""
        return Points(self.table, (~self.table["state"].is_in([VACANT, FOUNDING])).to_numpy().astype(np.int64))

    @property
    def clusters(self) -> int:
        """Number of plots, blocks or parts by which intervals are made."""
        return int(np.asarray(self.table["cluster"].max() or 0)) + 1 if self.table.height else 0

    @cached_property
    def radius(self) -> float:
        """Greatest distance asked for: a round number no more than a quarter of the narrowest plot's shorter side.

        It is made smaller where more than a million pairs would lie within it.
        """
        code, number = np.unique(self.table["code"].to_numpy(), return_counts=True)
        windows = [self.windows[c] for c in code]
        density = sum(n * n / w.area for n, w in zip(number.tolist(), windows, strict=True))
        most = min(min(w.shorter_side for w in windows) / 4.0, float(np.sqrt(2.0 * _MOST_PAIRS / (np.pi * density))))
        ten = 10.0 ** np.floor(np.log10(most * 1.01))
        return float(max(v * ten for v in (1.0, 2.0, 5.0) if v * ten <= most * 1.01))

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        own = self.colonies.table
        states = (VACANT, NO_COLONY), (FOUNDING, FOUNDED)
        out = dict(self.left_out)
        for state, why in states:
            ids = self.table.filter(pl.col("state") == state)["record_id"].to_list()
            out |= {why: ids} if ids else {}
        ids = self.held.filter(~pl.col("state").is_in(self.ants))["record_id"].to_list()
        out |= {NO_NAME: ids} if ids else {}
        looks = own["look"].to_list()
        plots = own["code"].n_unique()
        words = f"{own.height:,} colonies on {plots} plot{'' if plots == 1 else 's'}"
        used = {"plant": own["record_id"].to_list(), "visit": looks}
        return Rows(own.height, own["group"].n_unique(), len(looks), used, out, words)


@dataclass(frozen=True, eq=False)
class Points:
    """Labelled points on their plots.

    Attributes
    ----------
    table : polars.DataFrame
        As in `Material.table`.
    label : array of int, shape (points,)
    """

    table: pl.DataFrame
    label: Ints

    @cached_property
    def xy(self) -> Floats:
        """Where they stand, shape (points, 2)."""
        return self.table.select("x", "y").to_numpy()

    @cached_property
    def code(self) -> Ints:
        """Plot of each, as 0, 1, ..."""
        return self.table["code"].to_numpy().astype(np.int64)

    @cached_property
    def cluster(self) -> Ints:
        """Cluster of each for intervals."""
        return self.table["cluster"].to_numpy().astype(np.int64)

    def of(self, which: NDArray[np.bool_]) -> "Points":
        """Give some of them."""
        return Points(self.table.filter(pl.Series(which)), self.label[which])

    def in_company(self) -> "Points":
        """Give those that are not alone on their plot."""
        return self.of((np.bincount(self.code, minlength=1) > 1)[self.code])

    def pairs(self, radius: float) -> Pairs:
        """Give the pairs of points of one plot within a distance."""
        apart = float(np.ptp(self.xy[:, 0])) + 2.0 * radius + 1.0 if len(self.xy) else 1.0
        shifted = self.xy + np.column_stack([self.code * apart, np.zeros(len(self.code))])
        near = close_pairs(shifted, radius * (1 + 1e-9))
        d = np.hypot(*(self.xy[near.i] - self.xy[near.j]).T)
        order = np.lexsort((near.j, near.i))
        order = order[d[order] <= radius]
        return Pairs(near.i[order], near.j[order], d[order])

    def neighbours(self) -> Ints:
        """Give each point's nearest neighbour on its plot; no point may be alone on its plot."""
        found = np.empty(len(self.code), dtype=np.int64)
        for c in np.unique(self.code):
            own = np.flatnonzero(self.code == c)
            found[own] = own[nearest(self.xy[own])[0]]
        return found

    def labelling(self, *strata: tuple[str, int]) -> Labelling:
        """Give the labels, exchanged within plots and, in each, within classes of equal numbers of these measures."""
        stratum = self.code
        for column, classes in strata:
            stratum = stratum * (classes + 1) + self._classes(column, classes)
        return Labelling(self.label, stratum)

    def _classes(self, column: str, classes: int) -> Ints:
        """Cut the points of each plot into classes; those that were not measured are a class of their own."""
        rank = (pl.col(column).rank("ordinal").over("code") - 1).cast(pl.Float64)
        cut = (rank * classes / pl.col(column).count().over("code")).floor().cast(pl.Int64)
        return self.table.select(cut.clip(0, classes - 1).fill_null(classes)).to_series().to_numpy().astype(np.int64)


def gather(data: StudyData, day: float | None = None) -> Material:
    """Find the mapped plants, their windows and clusters."""
    spots = positions(data, day)
    out = {k: list(v) for k, v in spots.left_out.items()}
    parts: list[pl.DataFrame] = []
    windows: list[Window] = []
    names: list[str] = []
    guessed: list[str] = []
    for (plot,), rows in spots.table.sort("plant").group_by("plot", maintain_order=True):
        about = spots.plots[bytes(plot)]
        xy = rows.select("x", "y").to_numpy()
        window = _window(about, xy)
        if window is None:
            out.setdefault(NO_WINDOW, []).extend(rows["record_id"].to_list())
            continue
        far = np.where(window.contains(xy), 0.0, window.to_edge(xy))
        inside = far <= rows["uncertainty_m"].fill_null(_FALLBACK_M).to_numpy()
        if not inside.all():
            out.setdefault(OUTSIDE, []).extend(rows.filter(pl.Series(~inside))["record_id"].to_list())
        parts.append(rows.filter(pl.Series(inside)).with_columns(code=pl.lit(len(windows), pl.Int64)))
        windows.append(window)
        names.append(about.name)
        if not about.rings or not _usable(about):
            guessed.append(about.name)
    table = pl.concat(parts) if parts else spots.table.clear().with_columns(code=pl.lit(0, pl.Int64))
    table, by_parts = _clusters(table.sort("plant"), windows)
    return Material(spots, table, tuple(windows), tuple(names), tuple(guessed), by_parts, out)


def _usable(plot: Plot) -> bool:
    try:
        window_of(plot.rings)
    except ValueError:
        return False
    return True


def _window(plot: Plot, xy: Floats) -> Window | None:
    try:
        return window_of(plot.rings) if plot.rings and _usable(plot) else hull_window(xy)
    except ValueError:
        return None


def _clusters(table: pl.DataFrame, windows: list[Window]) -> tuple[pl.DataFrame, bool]:
    """Give each plant its cluster: the block, or a ninth of its plot where there are too few blocks."""
    # a plot lies in one cluster, so that pairs do too
    home = pl.col("group").sort_by("plant").first().over("code")
    table = table.with_columns(home=home)
    if table["home"].n_unique() >= FEWEST_PLOTS or table.is_empty():
        return table.with_columns(cluster=pl.col("home").rank("dense").cast(pl.Int64) - 1).drop("home"), False
    part = np.zeros(table.height, dtype=np.int64)
    code = table["code"].to_numpy()
    for c, window in enumerate(windows):
        own = code == c
        part[own] = parts_of(table.filter(pl.Series(own)).select("x", "y").to_numpy(), window.bounds)
    number = np.unique(code * 9 + part, return_inverse=True)[1]
    return table.with_columns(cluster=pl.Series(number.astype(np.int64))).drop("home"), True


__all__ = ["Material", "Points", "gather"]
