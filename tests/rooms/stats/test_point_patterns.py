"""Point patterns: windows, pairs, labels, simulated points, envelopes and pooled plots."""

from itertools import permutations

import numpy as np
import pytest

from domatia.stats import point_labels, point_simulate
from domatia.stats.arrays import Floats, Ints
from domatia.stats.point_edge import translation_weights
from domatia.stats.point_envelope import global_envelope, pointwise
from domatia.stats.point_k import first_radius, k_function, l_function, weighted_pairs
from domatia.stats.point_labels import Labelling, labelled_counts, neighbour_table
from domatia.stats.point_nearest import nearest_distribution
from domatia.stats.point_pairs import bin_of, close_pairs, nearest, nearest_of
from domatia.stats.point_pooled import parts_of, pooled_l, pooled_ratio
from domatia.stats.point_simulate import k_from_counts, simulated_counts
from domatia.stats.point_window import hull_window, rectangle, signed_area, window_of

RING = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 6.0], [6.0, 6.0], [6.0, 9.0], [0.0, 9.0]])
HOLE = np.array([[2.0, 2.0], [4.0, 2.0], [4.0, 4.0], [2.0, 4.0]])
ISLAND = np.array([[2.5, 2.5], [3.5, 2.5], [3.5, 3.5], [2.5, 3.5]])


def test_rings_may_come_in_any_order_and_direction() -> None:
    """A ring in a ring is a hole, a ring in a hole an island; closed rings are opened."""
    closed = np.vstack([RING[::-1], RING[-1:]])
    window = window_of([ISLAND, HOLE, closed])
    assert window.area == pytest.approx(78.0 - 4.0 + 1.0)
    assert window.contains(np.array([[3.0, 3.0], [2.2, 2.2], [8.0, 8.0], [10.0, 3.0], [2.0, 3.0]])).tolist() == [
        True, False, False, True, True,
    ]  # fmt: skip
    assert window.to_edge(np.array([[8.0, 3.0], [1.0, 3.0]])).tolist() == [2.0, 1.0]
    assert sum(signed_area(r) for r in window.rings) == pytest.approx(window.area)


def test_points_are_drawn_evenly_from_a_window_with_a_hole() -> None:
    """All fall inside; the share in a part is that of its area."""
    window = window_of([RING, HOLE])
    xy = window.draw(40_000, np.random.default_rng(1))
    assert window.contains(xy).all()
    for share, part in ((24 / 74, xy[:, 0] > 6), (18 / 74, xy[:, 1] > 6), (12 / 74, xy[:, 1] < 1.2)):
        assert np.mean(part) == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / 40_000))


@pytest.mark.parametrize(
    ("rings", "says"),
    [
        ([], "at least one ring"),
        ([np.array([[0.0, 0.0], [1.0, 1.0]])], "three corners"),
        ([np.array([[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]])], "three corners"),
        ([np.array([[0.0, 0.0], [1.0, np.nan], [2.0, 0.0]])], "two finite numbers"),
        ([np.array([[0.0, 0.0], [2.0, 2.0], [2.0, 0.0], [0.0, 1.0]])], "crosses itself"),
    ],
)
def test_what_is_no_window(rings: list[Floats], says: str) -> None:
    """Too few corners, no area, and outlines that cross themselves are refused in words."""
    with pytest.raises(ValueError, match=says):
        window_of(rings)


def test_a_hull_is_blown_up_for_what_it_misses() -> None:
    """On average the guessed window has about the area of the true one; four points or fewer give none."""
    rng = np.random.default_rng(3)
    areas = [hull_window(rng.random((60, 2))).area for _ in range(200)]
    assert np.mean(areas) == pytest.approx(1.0, abs=0.03)
    with pytest.raises(ValueError, match="fewer than four"):
        hull_window(rng.random((3, 2)))
    with pytest.raises(ValueError, match="one line"):
        hull_window(np.column_stack([np.arange(6.0), np.arange(6.0)]))


def test_every_correction_is_right_on_average_for_points_anywhere() -> None:
    """Mean K of points drawn evenly is pi r² within 2 %, in a window with a hole."""
    window, r, rng = window_of([RING, HOLE]), np.array([0.5, 1.0, 2.0]), np.random.default_rng(5)
    patterns = [window.draw(60, rng) for _ in range(250)]
    for correction in ("rigid motion", "isotropic", "translation"):
        mean = np.mean([k_function(window, xy, r, correction) for xy in patterns], axis=0)
        np.testing.assert_allclose(mean, np.pi * r**2, rtol=0.025)
    np.testing.assert_allclose(l_function(np.pi * r**2), r)


def test_translation_weights_from_a_lattice_equal_exact_ones() -> None:
    """Beyond 20,000 pairs areas are read from a lattice; the error is below 0.1 %."""
    window, rng = window_of([RING, HOLE]), np.random.default_rng(6)
    shifts = rng.uniform(-2, 2, (20_001, 2))
    np.testing.assert_allclose(
        translation_weights(window, shifts)[:200], translation_weights(window, shifts[:200]), 1e-3
    )


def test_points_outside_the_window_are_wrong_use() -> None:
    """Wrong points and wrong corrections are refused."""
    with pytest.raises(ValueError, match="outside the window"):
        weighted_pairs(rectangle(1.0, 1.0), np.array([[0.5, 0.5], [2.0, 0.5]]), 1.0)
    with pytest.raises(ValueError, match="has no weights for pairs"):
        weighted_pairs(rectangle(1.0, 1.0), np.array([[0.5, 0.5], [0.2, 0.5]]), 1.0, "border")


def test_radii_and_bins_are_closed_above() -> None:
    """A pair at exactly r lies within r, whether radii are evenly spaced or not."""
    d = np.array([0.0, 0.25, 0.2500001, 0.5, 1.0, 1.1])
    even, uneven = np.array([0.25, 0.5, 0.75, 1.0]), np.array([0.25, 0.5, 1.0])
    assert first_radius(d[:5], even).tolist() == np.searchsorted(even, d[:5], side="left").tolist()
    assert first_radius(d, uneven).tolist() == np.searchsorted(uneven, d, side="left").tolist()
    assert bin_of(d, 1.0, 4).tolist() == [0, 1, 2, 2, 4, 5]
    assert len(close_pairs(np.zeros((1, 2)), 1.0)) == 0


def test_nearest_neighbours_by_brute_force_and_at_one_spot() -> None:
    """Points at one spot are each other's neighbours; ties go to the least index."""
    xy = np.random.default_rng(7).random((80, 2)).round(1)
    who, far = nearest(xy)
    d = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    np.fill_diagonal(d, np.inf)
    np.testing.assert_allclose(far, d.min(axis=1), atol=1e-12)
    assert np.all(who != np.arange(80))
    np.testing.assert_allclose(d[np.arange(80), who], far, atol=1e-12)
    assert nearest_of(xy[:2], np.zeros((0, 2)))[1].tolist() == [np.inf, np.inf]


def exact_tables(label: Ints, neighbour: Ints) -> Floats:
    """Give the neighbour tables of all orders of the labels."""
    every = [np.array(p) for p in set(permutations(label.tolist()))]
    return np.array([np.bincount(p * 2 + p[neighbour], minlength=4).reshape(2, 2) for p in every])


def test_dixons_expectation_and_variance_by_enumeration() -> None:
    """Mean and variance over all 70 ways of dealing two labels to eight points (exact)."""
    xy = np.random.default_rng(11).random((8, 2))
    label = np.array([0, 0, 0, 0, 1, 1, 1, 1])
    neighbour = nearest(xy)[0]
    found, all_ = neighbour_table(label, neighbour, 2), exact_tables(label, neighbour)
    np.testing.assert_allclose(found.expected, all_.mean(axis=0))
    np.testing.assert_allclose(found.variance, all_.var(axis=0), atol=1e-12)


def test_chances_within_strata_by_drawing() -> None:
    """The chance that two points are alike, within a stratum and across, is the share of draws in which they are."""
    labels = Labelling(np.array([0, 0, 1, 2, 0, 1, 1, 1]), np.array([0, 0, 0, 0, 1, 1, 1, 1]))
    i, j = np.array([0, 0, 4]), np.array([1, 5, 6])
    drawn = np.array([d[i] == d[j] for d in labels.draws(4000, 3)])
    np.testing.assert_allclose(drawn.mean(axis=0), labels.same(i, j), atol=0.03)
    np.testing.assert_allclose(labels.same(i, j), [2 * 1 / 12, (2 * 1 + 1 * 3) / 16, 6 / 12])
    first = next(iter(labels.draws(1, 3)))
    assert np.array_equal(first, labels.label)


@pytest.mark.parametrize("who", [(0, 1), (1, 1)])
def test_counts_are_the_same_with_and_without_numba(who: tuple[int, int], monkeypatch: pytest.MonkeyPatch) -> None:
    """Random labelling by words of 64 draws equals the plain loop to the last bit; so do simulated patterns."""
    pytest.importorskip("numba", reason="the extra `fast` is not installed")
    rng = np.random.default_rng(8)
    xy, label = rng.random((300, 2)), rng.integers(0, 3, 300)
    labels, pairs = Labelling(label, np.zeros(300, dtype=np.int64)), close_pairs(xy, 0.21)
    plain = labelled_counts(pairs, (0.2, 16), labels, who, (130, 5))
    points = simulated_counts(rectangle(1.0, 1.0), 200, (0.2, 16), 5, 9)
    for module in (point_labels, point_simulate):
        monkeypatch.setattr(module, "_WORTH_COMPILING", 0.0)
    assert np.array_equal(labelled_counts(pairs, (0.2, 16), labels, who, (130, 5)), plain)
    assert np.array_equal(simulated_counts(rectangle(1.0, 1.0), 200, (0.2, 16), 5, 9), points)
    assert plain.shape == (131, 17)
    assert plain.sum() > 1000


def test_simulated_counts_repeat_and_give_k() -> None:
    """Draw k is the same however many are drawn; K of the counts is pi r² on average."""
    window = window_of([RING, HOLE])
    many = simulated_counts(window, 50, (2.0, 8), 300, 4)
    assert np.array_equal(simulated_counts(window, 50, (2.0, 8), 3, 4), many[:3])
    r = np.linspace(0.0, 2.0, 9)
    np.testing.assert_allclose(k_from_counts(window, 50, many, 2.0).mean(axis=0)[3:], np.pi * r[3:] ** 2, rtol=0.03)


@pytest.mark.parametrize("kind", ["rank", "deviation", "scaled deviation"])
def test_global_tests_keep_their_level(kind: str) -> None:
    """Of 400 curves under the null about 5 % fall below p 0.05 and leave the envelope; pointwise far more leave."""
    rng = np.random.default_rng(10)
    small = outside = anywhere = 0
    for _ in range(400):
        curves = np.cumsum(rng.standard_normal((100, 12)), axis=1)
        found = global_envelope(curves[0], curves[1:], kind)  # type: ignore[arg-type]
        small += found.p <= 0.05
        outside += bool(np.any((curves[0] < found.low - 1e-12) | (curves[0] > found.high + 1e-12)))
        low, high = pointwise(curves[1:])
        anywhere += bool(np.any((curves[0] < low) | (curves[0] > high)))
    assert 8 <= small <= 33
    assert outside == small
    assert anywhere > 50


def test_an_outlying_curve_has_the_least_p_and_few_draws_are_refused() -> None:
    """The p is one over the number of curves; 10 draws cannot give 95 %."""
    rng = np.random.default_rng(12)
    simulated = rng.standard_normal((99, 5))
    assert global_envelope(np.full(5, 9.0), simulated).p == 0.01
    with pytest.raises(ValueError, match="at least 19 are needed"):
        global_envelope(np.zeros(5), simulated[:10])
    with pytest.raises(ValueError, match="not finite"):
        global_envelope(np.full(5, np.nan), simulated)


def test_pooled_ratios_hold_the_truth_and_rare_counts_have_poisson_bounds() -> None:
    """Coverage of 500 intervals from 12 plots is near 95 %; nothing counted has the bound 3.69 over the expected."""
    rng = np.random.default_rng(13)
    held = 0
    for _ in range(500):
        e = rng.uniform(5, 15, 12)
        found = pooled_ratio(rng.poisson(1.3 * e).astype(float), e, np.arange(12))
        held += bool(found.low[0] <= 1.3 <= found.high[0])
    assert 0.92 <= held / 500 <= 0.98
    none = pooled_ratio(np.zeros(4), np.full(4, 2.0), np.arange(4))
    assert (none.estimate[0], none.low[0]) == (0.0, 0.0)
    assert none.high[0] == pytest.approx(3.68888 / 8, abs=1e-5)
    assert pooled_l(np.zeros(4), np.ones(4), np.arange(4), 2.0).estimate[0] == -2.0


def test_the_distribution_of_distances_beyond_the_last_known_is_unknown() -> None:
    """With everything censored nothing is known; weights count points several times."""
    d, edge = np.array([1.0, 5.0, 2.0]), np.array([3.0, 2.5, 4.0])
    found = nearest_distribution(d, edge, np.array([0.5, 1.0, 2.0, 3.0]))
    np.testing.assert_allclose(found, [0.0, 1 / 3, 2 / 3, np.nan])
    twice = nearest_distribution(np.repeat(d, 2), np.repeat(edge, 2), np.array([1.5]))
    assert nearest_distribution(d, edge, np.array([1.5]), np.full(3, 2.0)) == pytest.approx(twice)


def test_parts_of_a_plot() -> None:
    """Nine parts, counted from the lower left."""
    xy = np.array([[0.0, 0.0], [9.0, 0.0], [5.0, 5.0], [9.0, 9.0]])
    assert parts_of(xy, (0.0, 0.0, 9.0, 9.0)).tolist() == [0, 2, 4, 8]
