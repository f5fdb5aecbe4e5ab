"""Point patterns beside spatstat 3.0-6 and survival 3.5-3 (reference/points), and Dixon's expected neighbours.

Grade: another program's output, unless a test says otherwise.
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from domatia.stats.arrays import Floats
from domatia.stats.point_edge import mean_shared_area, shared_area
from domatia.stats.point_k import Correction, k_function, pair_correlation, weighted_pairs
from domatia.stats.point_labels import neighbour_table
from domatia.stats.point_marks import mark_connection
from domatia.stats.point_nearest import nearest_distribution
from domatia.stats.point_pairs import nearest
from domatia.stats.point_window import Window, rectangle, window_of

FOLDER = Path(__file__).parents[2] / "reference" / "points"


def table(name: str) -> dict[str, list[str]]:
    """Read a table of the reference."""
    with (FOLDER / name).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {c: [r[c] for r in rows] for c in rows[0]}


def numbers(name: str, column: str) -> Floats:
    """Read a column of numbers."""
    return np.array(table(name)[column], dtype=np.float64)


@pytest.fixture(scope="module")
def window() -> Window:
    """Give the plot with its pond, rings in the directions of the file."""
    ring, x, y = (numbers("window.csv", c) for c in ("ring", "x", "y"))
    return window_of([np.column_stack([x[ring == k], y[ring == k]]) for k in (1, 2)])


@pytest.fixture(scope="module")
def nests() -> tuple[Floats, np.ndarray]:
    """Give the nests and their ants as 0, 1, 2."""
    read = table("points.csv")
    xy = np.column_stack([np.array(read[c], dtype=np.float64) for c in ("x", "y")])
    return xy, np.array(["abc".index(a) for a in read["ant"]])


def test_the_window_is_the_plot_without_its_pond(window: Window, nests: tuple[Floats, np.ndarray]) -> None:
    """Area 2610.75 m² by spatstat; every nest lies inside."""
    assert window.area == pytest.approx(2610.75, abs=1e-9)
    assert window.contains(nests[0]).all()


@pytest.mark.parametrize(
    ("correction", "column"),
    [("isotropic", "isotropic"), ("border", "border_exact"), ("translation", "translation_exact")],
)
def test_k_in_a_window_with_a_hole(
    window: Window, nests: tuple[Floats, np.ndarray], correction: Correction, column: str
) -> None:
    """Isotropic, border and exact translation K equal spatstat's to 1e-9, wherever spatstat's is a number."""
    ours = k_function(window, nests[0], numbers("k.csv", "r"), correction)
    theirs = np.array([float(v) if v != "NA" else np.nan for v in table("k.csv")[column]])
    assert np.sum(np.isfinite(theirs)) > 40
    np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-9)


def test_k_by_rigid_motion_equals_the_pixel_approximation_roughly(
    window: Window, nests: tuple[Floats, np.ndarray]
) -> None:
    """The program takes the shared areas from pixels: within 0.5 %, as its own translation K is from its exact one."""
    ours = k_function(window, nests[0], numbers("k.csv", "r"))
    theirs = numbers("k.csv", "rigid_pixels")
    far = numbers("k.csv", "r") >= 1.0
    np.testing.assert_allclose(ours[far], theirs[far], rtol=5e-3)
    pixels, exact = numbers("k.csv", "translation_pixels")[far], numbers("k.csv", "translation_exact")[far]
    assert np.max(np.abs(pixels / exact - 1)) < 5e-3


def test_cross_k_and_mark_connection(window: Window, nests: tuple[Floats, np.ndarray]) -> None:
    """From ant a to ant b: K to 1e-9, the mark connection summed exactly to 1e-9."""
    xy, ant = nests
    cross = k_function(window, xy, numbers("k.csv", "r"), "isotropic", (ant == 0, ant == 1))
    np.testing.assert_allclose(cross, numbers("k.csv", "cross_isotropic"), rtol=1e-9, atol=1e-9)
    linked = mark_connection(window, nests, (0, 1), numbers("g.csv", "r"), "isotropic")
    np.testing.assert_allclose(linked, numbers("g.csv", "connection"), rtol=1e-9)


def test_pair_correlation(window: Window, nests: tuple[Floats, np.ndarray]) -> None:
    """Summed exactly to 1e-9; spatstat's own smoothing on a grid of bins is within 0.01."""
    ours = pair_correlation(window, nests[0], numbers("g.csv", "r"), "isotropic")
    np.testing.assert_allclose(ours, numbers("g.csv", "g"), rtol=1e-9)
    np.testing.assert_allclose(ours, numbers("g.csv", "g_spatstat"), atol=0.01)


def test_share_of_nests_with_a_nest_near(window: Window, nests: tuple[Floats, np.ndarray]) -> None:
    """Kaplan-Meier of distances censored at the edge, as survfit of R's survival gives it, to 1e-12."""
    xy = nests[0]
    ours = nearest_distribution(nearest(xy)[1], window.to_edge(xy), numbers("nearest.csv", "r"))
    np.testing.assert_allclose(ours, numbers("nearest.csv", "within"), rtol=1e-12, atol=1e-12)


def test_who_neighbours_whom(nests: tuple[Floats, np.ndarray]) -> None:
    """The counts by spatstat's nnwhich."""
    xy, ant = nests
    ours = neighbour_table(ant, nearest(xy)[0], 3).observed
    theirs = numbers("neighbours.csv", "Freq").reshape(3, 3).T
    assert np.array_equal(ours, theirs)


def test_expected_neighbours_of_the_ants_nests() -> None:
    """29 and 68 nests: 8.458, 20.542, 20.542, 47.458 (by the formula of Dixon 1994, Ecology 75:1940)."""
    ant = np.repeat([0, 1], [29, 68])
    found = neighbour_table(ant, np.roll(np.arange(97), 1), 2).expected
    np.testing.assert_allclose(found.ravel(), [8.458, 20.542, 20.542, 47.458], atol=5e-4)


def test_shared_area_of_a_rectangle() -> None:
    """Area a b - 2 r (a + b) / pi + r² / pi on average over directions, for r up to the shorter side (closed form)."""
    r, shared = mean_shared_area(rectangle(3.0, 2.0), 2.0)
    np.testing.assert_allclose(shared, 6.0 - 2.0 * r * 5.0 / np.pi + r**2 / np.pi, rtol=1e-12)
    np.testing.assert_allclose(shared_area(rectangle(3.0, 2.0), np.array([[1.0, -0.5]])), [3.0], rtol=1e-12)


def test_isotropic_weight_at_a_corner() -> None:
    """Around a corner a quarter of the circle is inside; a circle through the corner is cut once (closed form)."""
    found = weighted_pairs(rectangle(10.0, 10.0), np.array([[0.0, 0.0], [3.0, 4.0]]), 6.0, "isotropic")
    # around (3, 4) with radius 5: 2 acos(3/5) is cut off at the left, 2 acos(4/5) below; the two meet in (0, 0)
    left, below = 2 * np.arccos(0.6), 2 * np.arccos(0.8)
    share = 1 - (left + below) / (2 * np.pi)
    np.testing.assert_allclose(found.weight, [4.0, 1.0 / share], rtol=1e-9)
