"""The numbers of the pattern question: neighbours and pairs beside random labelling, L, and distances to colonies."""

from collections.abc import Iterator
from itertools import combinations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.model import Effect
from domatia.questions.pattern_material import Material, Points
from domatia.stats.clustering import Estimate, one_sided
from domatia.stats.leave_one_out import leave_one_out
from domatia.stats.point_edge import rigid_weights
from domatia.stats.point_labels import Labelling
from domatia.stats.point_nearest import nearest_distribution
from domatia.stats.point_pairs import Pairs, nearest_of
from domatia.stats.point_pooled import pooled_l, pooled_ratio

Floats = NDArray[np.float64]

LIGHT, SIZE = ("openness", 3), ("height", 3)
LIGHT_HALF, SIZE_HALF = ("openness", 2), ("height", 2)
WITHIN_PLOTS = "exchanged within plots"
WITHIN_LIGHT = "exchanged within plots and thirds of light"
WITHIN_SIZE = "exchanged within plots and thirds of size"
WITHIN_BOTH = "exchanged within plots, halves of light and halves of size"
SAME, CHANCE = "same ant", "random labelling"
ALL = "all colonies"
LEAST_EXPECTED = 5.0
LEAST_KNOWN = 0.5


def schemes(about: Material) -> dict[str, tuple[tuple[str, int], ...]]:
    """Give the ways in which ants are exchanged that the study has the measures for."""
    found: dict[str, tuple[tuple[str, int], ...]] = {WITHIN_PLOTS: ()}
    known = {
        c: about.colonies.table[c].count() >= LEAST_KNOWN * about.colonies.table.height for c in (LIGHT[0], SIZE[0])
    }
    if known[LIGHT[0]]:
        found[WITHIN_LIGHT] = (LIGHT,)
    if known[SIZE[0]]:
        found[WITHIN_SIZE] = (SIZE,)
    if all(known.values()):
        found[WITHIN_BOTH] = (LIGHT_HALF, SIZE_HALF)
    return found


def effects(about: Material) -> tuple[Effect, ...]:
    """Give all effects, the main one first."""
    r = about.radius
    points = about.colonies.in_company()
    return (
        *_neighbours(about, points),
        *_pairs(about, points, r),
        *_held(about, r),
        *(_l(about, d) for d in (r / 2, r)),
        *_treated(about, r / 2),
    )


def _effect(name: str, who: tuple[str, str], found: Estimate, where: str, unit: str = "1") -> Effect:
    value, low, high, se = (float(v[0]) for v in (found.estimate, found.low, found.high, found.se))
    return Effect(name, who[0], who[1], value, low, high, unit=unit, where=where, standard_error=se)


def _neighbours(about: Material, points: Points) -> Iterator[Effect]:
    """Compare nearest neighbours with what exchanging the ants would give."""
    who = points.neighbours()
    every = np.arange(len(who))
    alike = (points.label == points.label[who]).astype(np.float64)
    for scheme, strata in schemes(about).items():
        expected = points.labelling(*strata).same(every, who)
        found = pooled_ratio(alike, expected, points.cluster)
        yield _effect("same_ant_neighbour_ratio", (SAME, CHANCE), found, scheme)
    labels = points.labelling()
    for k, ant in enumerate(about.ants):
        expected = labels.chance(k, k, every, who)
        if expected.sum() >= LEAST_EXPECTED:
            own = alike * (points.label == k)
            yield _effect(
                "same_ant_neighbour_ratio", (ant, CHANCE), pooled_ratio(own, expected, points.cluster), WITHIN_PLOTS
            )


def _halved(values: Floats, points: Points, pairs: Pairs) -> tuple[Floats, NDArray[np.int64]]:
    """Let half of each pair count for each of its points."""
    return np.concatenate([values, values]) / 2.0, points.cluster[np.concatenate([pairs.i, pairs.j])]


def _pair_ratio(seen: NDArray[np.bool_], expected: Floats, points: Points, pairs: Pairs) -> Estimate:
    counted, cluster = _halved(seen.astype(np.float64), points, pairs)
    return pooled_ratio(counted, _halved(expected, points, pairs)[0], cluster)


def _pairs(about: Material, points: Points, radius: float) -> Iterator[Effect]:
    """Compare the pairs within a distance with what exchanging the ants would give, by two ants."""
    near, where = points.pairs(radius), f"up to {radius:g} m apart"
    if not len(near):
        return
    labels = points.labelling()
    first, second = points.label[near.i], points.label[near.j]
    same = _pair_ratio(first == second, labels.same(near.i, near.j), points, near)
    yield _effect("same_ant_pair_ratio", (SAME, CHANCE), same, where)
    for a, b in combinations(range(len(about.ants)), 2):
        expected = either_way(labels, (a, b), near)
        if expected.sum() >= LEAST_EXPECTED:
            seen = ((first == a) & (second == b)) | ((first == b) & (second == a))
            one, other = sorted((about.ants[a], about.ants[b]))
            yield _effect("cross_pair_ratio", (one, other), _pair_ratio(seen, expected, points, near), where)


def either_way(labels: Labelling, who: tuple[int, int], near: Pairs) -> Floats:
    """Give the chance that a pair is of these two labels, whichever point has which."""
    return labels.chance(*who, near.i, near.j) + labels.chance(*who, near.j, near.i)


def _held(about: Material, radius: float) -> Iterator[Effect]:
    """Compare the pairs of held plants with what exchanging colonies among all living plants would give."""
    points = about.living
    near, labels = points.pairs(radius), points.labelling()
    expected = labels.chance(1, 1, near.i, near.j)
    if len(near) and 0 < points.label.sum() < len(points.label) and expected.sum() >= LEAST_EXPECTED:
        seen = (points.label[near.i] == 1) & (points.label[near.j] == 1)
        found = _pair_ratio(seen, expected, points, near)
        yield _effect("held_pair_ratio", (ALL, "living plants"), found, f"up to {radius:g} m apart")


def weights_of(about: Material, points: Points, near: Pairs, radius: float) -> Floats:
    """Give the rigid-motion weight of each pair in its own plot's window."""
    weight = np.ones(len(near))
    home = points.code[near.i]
    for c in np.unique(home):
        own = home == c
        weight[own] = rigid_weights(about.windows[c], near.distance[own], radius)
    return weight


def densities(about: Material, points: Points) -> Floats:
    """Give, for each point, the number of other points on its plot per square metre of the plot."""
    n = np.bincount(points.code, minlength=len(about.windows))
    area = np.array([w.area for w in about.windows])
    return np.asarray(((n - 1) / area)[points.code], dtype=np.float64)


def l_estimate(about: Material, radius: float, reach: float) -> Estimate:
    """Give L(r) - r of all colonies, plots pooled."""
    points = Points(about.held, np.zeros(about.held.height, dtype=np.int64)).in_company()
    near = points.pairs(radius)
    weight = weights_of(about, points, near, reach)
    n = len(points.code)
    counted = np.bincount(near.i, weight, n).astype(np.float64) + np.bincount(near.j, weight, n)
    return pooled_l(counted, densities(about, points), points.cluster, radius)


def _l(about: Material, radius: float) -> Effect:
    return _effect("l_minus_r", (ALL, ""), l_estimate(about, radius, about.radius), f"at {radius:g} m", "m")


def distances_of_treated(about: Material) -> pl.DataFrame:
    """Give the distance from each plant whose ants are taken off to the nearest colony on a plant that keeps its ants.

    Returns
    -------
    polars.DataFrame
        `plant`, `treatment`, `cluster`, `distance` (infinite without such a colony on the plot), `to_edge`, m.
    """
    table = about.table.sort("plant")
    removed = pl.col("role") == "removal"
    treated = table.filter(removed)
    keeping = about.held.filter(~removed.fill_null(False)).sort("plant")
    distance, edge = np.full(treated.height, np.inf), np.zeros(treated.height)
    for c in treated["code"].unique().sort().to_list():
        own = (treated["code"] == c).to_numpy()
        xy = treated.filter(pl.Series(own)).select("x", "y").to_numpy()
        distance[own] = nearest_of(xy, keeping.filter(pl.col("code") == c).select("x", "y").to_numpy())[1]
        window = about.windows[c]
        edge[own] = np.where(window.contains(xy), window.to_edge(xy), 0.0)
    found = treated.select("plant", "treatment", "cluster")
    return found.with_columns(distance=pl.Series(distance), to_edge=pl.Series(edge))


def share_within(table: pl.DataFrame, radii: Floats, clusters: int) -> Estimate | None:
    """Give the share of these plants with a colony within each radius; None if it cannot be told."""
    distance, edge = table["distance"].to_numpy(), table["to_edge"].to_numpy()
    cluster = table["cluster"].to_numpy()

    def statistic(kept: NDArray[np.bool_]) -> Floats:
        own = kept[cluster]
        return 1.0 - nearest_distribution(distance[own], edge[own], radii)

    values, doubt = leave_one_out(statistic, clusters)
    if not np.isfinite(values).all() or not np.isfinite(doubt.covariance).all():
        return None
    left = doubt.log_log(values, np.eye(len(radii)))
    turned = Estimate(1.0 - left.estimate, left.se, 1.0 - left.high, 1.0 - left.low)
    return one_sided(turned, table.height)


def _treated(about: Material, radius: float) -> Iterator[Effect]:
    table = distances_of_treated(about)
    for treatment in table["treatment"].unique().sort().to_list():
        own = table.filter(pl.col("treatment") == treatment)
        if own["cluster"].n_unique() < 2:
            continue
        own = own.with_columns(cluster=pl.col("cluster").rank("dense").cast(pl.Int64) - 1)
        found = share_within(own, np.array([radius]), own["cluster"].n_unique())
        if found is not None:
            yield _effect("near_untreated_colony", (treatment, ""), found, f"within {radius:g} m")
