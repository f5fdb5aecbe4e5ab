"""Edge corrections: what a pair of points must count for, since partners beyond the window were not seen.

- rigid motion (Ohser & Stoyan 1981, Biom. J. 23:523; Ohser 1983): area / mean area that the window shares with itself
  when shifted by the pair's distance in every direction. It depends on the distance alone, so that simulated patterns
  need nothing but counts of pairs. The default.
- isotropic (Ripley 1977, J. R. Stat. Soc. B 39:172; Ohser 1983 for distances whose circle leaves the window): one over
  the share of the circle around one point through the other that lies in the window; arcs are computed exactly from the
  crossings with each edge. Weights are cut at 100, as is usual.
- translation (Ohser & Stoyan 1981): area / area that the window shares with itself when shifted by the pair's own
  vector.

The border method keeps only points farther from the edge than r; it stands in `point_k`.
"""

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.point_window import Window, edge_distances

if TYPE_CHECKING:
    from shapely import Geometry

MOST_WEIGHT = 100.0
_NODES = 33
_PANELS = 16
_EXACT_SHIFTS = 20_000
_LATTICE = 64
_CHUNK = 2_000_000
_PART = 131_072


def shared_area(window: Window, shifts: Floats) -> Floats:
    """Give the area that a window shares with itself shifted by each vector, shape (shifts, 2)."""
    import shapely

    shape = as_polygon(window)
    shapely.prepare(shape)
    out = np.empty(len(shifts))
    corners, n = shapely.get_coordinates(shape), shapely.get_num_coordinates(shape)
    step = max(1, 200_000 // n)
    for a in range(0, len(shifts), step):
        part = shifts[a : a + step]
        copies = np.full(len(part), shape, dtype=object)
        moved = shapely.set_coordinates(copies, (corners[None] + part[:, None, :]).reshape(-1, 2))
        out[a : a + step] = shapely.area(shapely.intersection(shape, moved))
    return out


def as_polygon(window: Window) -> "Geometry":
    """Give the window as a geometry."""
    import shapely

    shape: Geometry = shapely.Polygon(window.rings[0])
    for ring in window.rings[1:]:
        shape = shapely.symmetric_difference(shape, shapely.Polygon(ring))
    return shape


def mean_shared_area(window: Window, radius: float) -> tuple[Floats, Floats]:
    """Give distances from 0 to `radius` and the mean, over all directions, of the area shared after such a shift.

    Directions are Gauss-Legendre nodes between the directions of the edges where there are few of these, so that
    rectangles and other simple outlines are exact; else 64 even ones.
    """
    corners = np.concatenate([ring - window.rings[0][0] for ring in window.rings])
    return _mean_shared_area(corners.tobytes(), tuple(len(ring) for ring in window.rings), radius)


@lru_cache(maxsize=64)
def _mean_shared_area(corners: bytes, lengths: tuple[int, ...], radius: float) -> tuple[Floats, Floats]:
    """Do the same for a window that is known by its corners; plots of one shape are worked out once."""
    every = np.frombuffer(corners, dtype=np.float64).reshape(-1, 2)
    window = Window(tuple(np.split(every, np.cumsum(lengths)[:-1])))
    r = np.linspace(0.0, radius, _NODES)
    angle, weight = _directions(window)
    shifts = np.stack([np.cos(angle), np.sin(angle)], axis=1)[None] * r[1:, None, None]
    shared = shared_area(window, shifts.reshape(-1, 2)).reshape(len(r) - 1, -1)
    return r, np.concatenate([[window.area], shared @ weight])


def _directions(window: Window) -> tuple[Floats, Floats]:
    along = window.ends - window.starts
    turns = np.unique(np.round(np.arctan2(along[:, 1], along[:, 0]) % np.pi, 9))
    if len(turns) > _PANELS:
        return (np.arange(64) + 0.5) * np.pi / 64, np.full(64, 1 / 64)
    nodes, weights = np.polynomial.legendre.leggauss(8 if len(turns) > 4 else 12)
    edges = np.concatenate([turns, [turns[0] + np.pi]])
    half = np.diff(edges)[:, None] / 2
    angle = (edges[:-1, None] + half) + half * nodes
    return angle.ravel(), ((half * weights) / np.pi).ravel()


def rigid_weights(window: Window, distance: Floats, radius: float) -> Floats:
    """Give the rigid-motion weight of pairs at these distances, none of them greater than `radius`."""
    r, shared = mean_shared_area(window, radius)
    return np.asarray(window.area / np.maximum(np.interp(distance, r, shared), window.area / MOST_WEIGHT))


def translation_weights(window: Window, shifts: Floats) -> Floats:
    """Give the translation weight of pairs with these vectors, shape (pairs, 2).

    Exact up to 20,000 pairs; beyond, areas are read from a lattice of 129 by 129 shifts (relative error about 1e-4).
    """
    shared = shared_area(window, shifts) if len(shifts) <= _EXACT_SHIFTS else _from_lattice(window, shifts)
    return np.asarray(window.area / np.maximum(shared, window.area / MOST_WEIGHT), dtype=np.float64)


def _from_lattice(window: Window, shifts: Floats) -> Floats:
    m = _LATTICE
    reach = np.abs(shifts).max(axis=0)
    gx, gy = np.linspace(0.0, reach[0], m + 1), np.linspace(-reach[1], reach[1], 2 * m + 1)
    grid = np.stack(np.meshgrid(gx, gy, indexing="ij"), axis=-1)
    table = shared_area(window, grid.reshape(-1, 2)).reshape(m + 1, 2 * m + 1)
    turned = np.where(shifts[:, :1] < 0, -shifts, shifts)
    a, b = turned[:, 0] / reach[0] * m, (turned[:, 1] / reach[1] + 1.0) * m
    i, j = np.minimum(a.astype(np.int64), m - 1), np.minimum(b.astype(np.int64), 2 * m - 1)
    u, v = a - i, b - j
    low = (1 - v) * table[i, j] + v * table[i, j + 1]
    high = (1 - v) * table[i + 1, j] + v * table[i + 1, j + 1]
    return np.asarray((1 - u) * low + u * high, dtype=np.float64)


def isotropic_weights(window: Window, xy: Floats, i: Ints, distance: Floats) -> Floats:
    """Give the isotropic weight of ordered pairs.

    Parameters
    ----------
    window : Window
    xy : array, shape (n, 2)
    i : array of int, shape (pairs,)
        The point around which the circle is drawn.
    distance : array, shape (pairs,)
    """
    weight = np.ones(len(i))
    step = max(1, _CHUNK // len(window.starts))
    for a in range(0, len(xy), step):
        far = edge_distances(xy[a : a + step], window)
        nearest = np.full(len(xy), np.inf)
        nearest[a : a + step] = far.min(axis=1)
        out = np.flatnonzero(distance > nearest.take(i))
        edges = _Edges(window, xy[a : a + step], far)
        for part in np.array_split(out, 1 + len(out) // _PART):
            seen = _seen_arcs(edges, i.take(part) - a, distance.take(part))
            weight[part] = np.minimum(1.0 / np.maximum(seen, 1e-12), MOST_WEIGHT)
    return weight


def _seen_arcs(edges: "_Edges", i: Ints, d: Floats) -> Floats:
    """Give the share of each circle that lies in the window: angles at which it enters less those at which it leaves.

    The edges of each point are tried from the nearest on; a circle is done at the first edge that it does not reach.
    """
    total = np.zeros(len(d))
    pair, of, reach = np.arange(len(d)), i, d
    for k in range(len(edges.far)):
        kept = np.flatnonzero(edges.far[k].take(of) < reach)
        if len(kept) < len(pair):
            pair, of, reach = pair.take(kept), of.take(kept), reach.take(kept)
        if not len(pair):
            break
        crossed, angle = edges.crossed(k, of, reach)
        total[pair.take(crossed)] += angle
    # no crossing at all leaves exactly nought: the whole circle is inside
    return np.where(total == 0.0, 1.0, np.mod(total, 2 * np.pi) / (2 * np.pi))


class _Edges:
    """Each point's edges, from the nearest on, as seen from the point.

    Whether a circle crosses an edge is decided by which corners lie in it, so that a circle through a corner crosses
    both edges there or neither.
    """

    def __init__(self, window: Window, xy: Floats, far: Floats) -> None:
        along = window.ends - window.starts
        length = np.sqrt(along[:, 0] ** 2 + along[:, 1] ** 2)
        self.u = along / length[:, None]
        self.normal = np.arctan2(self.u[:, 0], -self.u[:, 1])
        self.window, self.xy = window, xy
        ends = [np.sqrt((xy[:, :1] - c[:, 0]) ** 2 + (xy[:, 1:] - c[:, 1]) ** 2) for c in (window.starts, window.ends)]
        far = np.minimum(far, np.minimum(*ends))
        self.edge = np.argsort(far, axis=1)
        self.far, self.first, self.last = (
            np.ascontiguousarray(np.take_along_axis(v, self.edge, axis=1).T) for v in (far, *ends)
        )
        self.columns: list[tuple[Floats, Floats]] = []

    def _column(self, k: int) -> tuple[Floats, Floats]:
        """Give how far each point's k-th edge lies off as a line, and its turn."""
        edge = self.edge[:, k]
        start, u = self.window.starts[edge] - self.xy, self.u[edge]
        return u[:, 0] * start[:, 1] - u[:, 1] * start[:, 0], self.normal[edge]

    def crossed(self, k: int, i: Ints, d: Floats) -> tuple[Ints, Floats]:
        """Give which circles that reach the k-th edge of their point cross it, and what that adds to the angle inside.

        An edge with both corners in the circle is not crossed, one with both outside twice.
        """
        while len(self.columns) <= k:
            self.columns.append(self._column(len(self.columns)))
        leaves, enters = self.first[k].take(i) >= d, self.last[k].take(i) >= d
        which = np.flatnonzero(leaves | enters)
        i, d, leaves, enters = i.take(which), d.take(which), leaves.take(which), enters.take(which)
        height, normal = (c.take(i) for c in self.columns[k])
        turn = np.arctan2(np.sqrt(np.maximum((d - height) * (d + height), 0.0)), height)
        # the inside is on the edge's left: the circle, run anticlockwise, goes out where the edge's first corner is
        # outside it and comes in where its last one is
        return which, np.asarray(leaves * (normal + turn) - enters * (normal - turn), dtype=np.float64)
