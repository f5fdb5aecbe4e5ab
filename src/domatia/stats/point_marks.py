"""How the sorts of two points hang together with the distance between them.

The mark connection p_ab(r) is the chance that two points r apart are of sorts a and b, among all pairs r apart (Stoyan
& Stoyan 1994, Fractals, Random Shapes and Point Fields, section 15.4); without any link it is the product of the shares
of the two sorts. Kernel as in `point_k`.
"""

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.point_k import Correction, half_width_for, kernel_sums, weighted_pairs
from domatia.stats.point_window import Window


def mark_connection(
    window: Window,
    points: tuple[Floats, Ints],
    who: tuple[int, int],
    radii: Floats,
    correction: Correction = "rigid motion",
    half_width: float | None = None,
) -> Floats:
    """Estimate the mark connection function from sort a to sort b.

    Parameters
    ----------
    window : Window
    points : (array of shape (n, 2), array of int of shape (n,))
        Where the points lie, and of which sort they are.
    who : (int, int)
        The two sorts.
    radii : array
        Ascending.
    correction, half_width
        As for `domatia.stats.point_k.pair_correlation`.

    Returns
    -------
    array, shape of `radii`
        nan where no pair lies near a radius.
    """
    xy, sort = points
    h = half_width if half_width is not None else half_width_for(window, len(xy))
    pairs = weighted_pairs(window, xy, float(radii[-1]) + h, correction)
    hit = (sort[pairs.i] == who[0]) & (sort[pairs.j] == who[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(
            kernel_sums(pairs.distance[hit], pairs.weight[hit], radii, h)
            / kernel_sums(pairs.distance, pairs.weight, radii, h),
            dtype=np.float64,
        )


def unlinked(sort: Ints, who: tuple[int, int]) -> float:
    """Give the mark connection without any link: the product of the two shares."""
    a, b = (float(np.mean(sort == w)) for w in who)
    return a * b
