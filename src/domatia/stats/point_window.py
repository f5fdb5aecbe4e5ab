"""The window of a point pattern: a plot of any outline, with holes, in which points were looked for.

Inside is decided by the even-odd rule: a ring that lies within one other ring is a hole, one that lies within two is an
island. Points on the boundary are inside. Points are drawn from the window without rejection, by cutting it into
trapezoids at the heights of its corners (O'Rourke 1998, Computational Geometry in C, chapter 2). The hull that stands
for an unknown window is that of Ripley & Rasson 1977, J. Appl. Prob. 14:483.

It does not cover curved outlines, rings that cross themselves, or windows on a sphere.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

from domatia.stats.arrays import Bools, Floats

_CHUNK = 2_000_000
_ON_THE_EDGE = 1e-9


@dataclass(frozen=True, eq=False)
class Window:
    """A polygon with holes.

    Attributes
    ----------
    rings : tuple of array, shape (corners, 2)
        Open rings, the inside on the left of each edge: outer rings run anticlockwise, holes clockwise.
    """

    rings: tuple[Floats, ...]

    @cached_property
    def starts(self) -> Floats:
        """Where each edge starts, shape (edges, 2)."""
        return np.concatenate(self.rings)

    @cached_property
    def ends(self) -> Floats:
        """Where each edge ends, shape (edges, 2)."""
        return np.concatenate([np.roll(r, -1, axis=0) for r in self.rings])

    @cached_property
    def area(self) -> float:
        """Area within the outline, holes taken off."""
        return float(sum(signed_area(r) for r in self.rings))

    @cached_property
    def bounds(self) -> tuple[float, float, float, float]:
        """Least x, least y, greatest x, greatest y."""
        low, high = self.starts.min(axis=0), self.starts.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])

    @property
    def shorter_side(self) -> float:
        """Shorter side of the box around the window."""
        left, bottom, right, top = self.bounds
        return min(right - left, top - bottom)

    def contains(self, xy: Floats) -> Bools:
        """Tell which points, shape (n, 2), lie inside or on the boundary."""
        inside = even_odd(xy, self.starts, self.ends)
        doubtful = np.flatnonzero(~inside)
        if len(doubtful):
            left, bottom, right, top = self.bounds
            near = self.to_edge(xy[doubtful]) <= _ON_THE_EDGE * max(right - left, top - bottom)
            inside[doubtful[near]] = True
        return inside

    def to_edge(self, xy: Floats) -> Floats:
        """Give the distance of each point, shape (n, 2), to the nearest edge."""
        out = np.empty(len(xy))
        step = max(1, _CHUNK // len(self.starts))
        for a in range(0, len(xy), step):
            out[a : a + step] = edge_distances(xy[a : a + step], self).min(axis=1)
        return out

    @cached_property
    def _trapezoids(self) -> tuple[Floats, Floats]:
        return _cut(self.starts, self.ends)

    def draw(self, n: int, rng: np.random.Generator) -> Floats:
        """Draw n points evenly from the window, shape (n, 2)."""
        parts, upto = self._trapezoids
        u = rng.random((3, n))
        which = np.minimum(np.searchsorted(upto, u[0] * upto[-1], side="right"), len(upto) - 1)
        y0, y1, left0, left1, right0, right1 = parts[:, which]
        low, high = right0 - left0, right1 - left1
        t = u[1] * (low + high) / (low + np.sqrt(low * low + u[1] * (high * high - low * low)))
        left = left0 + t * (left1 - left0)
        return np.column_stack([left + u[2] * (low + t * (high - low)), y0 + t * (y1 - y0)])


def signed_area(ring: Floats) -> float:
    """Give the area of a ring: positive if it runs anticlockwise."""
    x, y = ring.T - ring[0][:, None]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def even_odd(xy: Floats, starts: Floats, ends: Floats) -> Bools:
    """Tell which points are inside by the even-odd rule; those on the boundary fall either way."""
    (ax, ay), (bx, by) = starts.T, ends.T
    slope = np.divide(bx - ax, by - ay, out=np.zeros_like(ax), where=by != ay)
    out = np.zeros(len(xy), dtype=np.bool_)
    step = max(1, _CHUNK // len(ax))
    for a in range(0, len(xy), step):
        x, y = xy[a : a + step, 0, None], xy[a : a + step, 1, None]
        crosses = ((ay > y) != (by > y)) & (x < ax + (y - ay) * slope)
        out[a : a + step] = np.count_nonzero(crosses, axis=1) % 2 == 1
    return out


def edge_distances(xy: Floats, window: Window) -> Floats:
    """Give the distance of each point to each edge, shape (points, edges)."""
    start, along = window.starts, window.ends - window.starts
    length2 = np.sum(along**2, axis=1)
    px, py = xy[:, 0, None] - start[:, 0], xy[:, 1, None] - start[:, 1]
    t = np.clip((px * along[:, 0] + py * along[:, 1]) / length2, 0.0, 1.0)
    return np.asarray(np.hypot(px - t * along[:, 0], py - t * along[:, 1]), dtype=np.float64)


def _cut(starts: Floats, ends: Floats) -> tuple[Floats, Floats]:
    """Cut a window into trapezoids with level upper and lower sides: y0, y1, left0, left1, right0, right1; areas."""
    levels = np.unique(starts[:, 1])
    found = []
    for y0, y1 in pairwise(levels):
        low, high = np.minimum(starts[:, 1], ends[:, 1]), np.maximum(starts[:, 1], ends[:, 1])
        across = np.flatnonzero((low <= y0) & (high >= y1) & (high > low))
        (ax, ay), (bx, by) = starts[across].T, ends[across].T
        x0, x1 = (ax + (y - ay) / (by - ay) * (bx - ax) for y in (y0, y1))
        order = np.argsort(x0 + x1, kind="stable")
        x0, x1 = x0[order], x1[order]
        for k in range(0, len(order) - 1, 2):
            found.append((y0, y1, x0[k], x1[k], x0[k + 1], x1[k + 1]))
    parts = np.array(found).T
    areas = 0.5 * (parts[1] - parts[0]) * ((parts[4] - parts[2]) + (parts[5] - parts[3]))
    kept = areas > 0
    return parts[:, kept], np.cumsum(areas[kept])


def window_of(rings: Sequence[Floats]) -> Window:
    """Make a window from rings in any order and direction, closed or open.

    Parameters
    ----------
    rings : sequence of array, shape (corners, 2)

    Raises
    ------
    ValueError
        If a ring has fewer than three different corners or no area, or rings cross.
    """
    clean = [_opened(np.asarray(r, dtype=np.float64)) for r in rings]
    if not clean:
        raise ValueError("a window needs at least one ring of three corners")
    turned = []
    for k, ring in enumerate(clean):
        others = [r for m, r in enumerate(clean) if m != k]
        depth = sum(bool(even_odd(ring[:1], r, np.roll(r, -1, axis=0))[0]) for r in others)
        outer = depth % 2 == 0
        turned.append(ring if (signed_area(ring) > 0) == outer else ring[::-1].copy())
    window = Window(tuple(turned))
    if not _simple(window):
        raise ValueError("the outline of the window crosses itself; put its corners in order")
    return window


def _opened(ring: Floats) -> Floats:
    if ring.ndim != 2 or ring.shape[1] != 2 or not np.isfinite(ring).all():
        raise ValueError("a ring is a list of corners with two finite numbers each")
    again = np.all(ring == np.roll(ring, 1, axis=0), axis=1)
    ring = ring[~again] if len(ring) > 1 else ring
    if len(ring) < 3 or abs(signed_area(ring)) <= 0.0:
        raise ValueError("a ring needs three corners that do not lie on one line")
    return ring


def _simple(window: Window) -> bool:
    """Tell whether no two edges cross; edges that only touch at corners are fine."""
    a, b = window.starts, window.ends
    side = _turn(a[:, None], b[:, None], a[None]), _turn(a[:, None], b[:, None], b[None])
    apart = side[0] * side[1] < 0
    return not bool(np.any(apart & apart.T))


def _turn(a: Floats, b: Floats, c: Floats) -> Floats:
    return np.sign(
        (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1]) - (b[..., 1] - a[..., 1]) * (c[..., 0] - a[..., 0])
    )


def rectangle(width: float, height: float) -> Window:
    """Give a rectangle with a corner at the origin."""
    return window_of([np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])])


def hull_window(xy: Floats) -> Window:
    """Guess a convex window from the points alone: their hull, blown up about its middle to allow for what it misses.

    Parameters
    ----------
    xy : array, shape (n, 2)

    Raises
    ------
    ValueError
        If the points do not span an area, or every one is a corner of their hull.
    """
    from scipy.spatial import ConvexHull, QhullError

    different = np.unique(xy, axis=0)
    if len(different) < 4:
        raise ValueError("a window cannot be guessed from fewer than four points")
    try:
        corners = different[ConvexHull(different).vertices]
    except QhullError as why:
        raise ValueError("a window cannot be guessed from points that lie on one line") from why
    share = min(len(corners) / len(different), 0.9)
    middle = _centroid(corners)
    return window_of([middle + (corners - middle) / np.sqrt(1.0 - share)])


def _centroid(ring: Floats) -> Floats:
    x, y = (ring - ring[0]).T
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    centre = [np.sum((v + np.roll(v, -1)) * cross) for v in (x, y)] / (3.0 * np.sum(cross))
    return np.asarray(ring[0] + centre, dtype=np.float64)
