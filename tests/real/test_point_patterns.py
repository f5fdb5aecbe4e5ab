"""Mapped nests and trees that ship with R's spatstat.data, beside spatstat's K (isotropic correction)."""

import csv
from pathlib import Path

import numpy as np
import pytest

from domatia.stats.arrays import Floats
from domatia.stats.point_k import k_function
from domatia.stats.point_labels import neighbour_table
from domatia.stats.point_pairs import nearest
from domatia.stats.point_window import Window, window_of

Pattern = tuple[Window, Floats, np.ndarray]


def pattern(points: Path, outline: Path) -> Pattern:
    """Read a pattern and its window."""
    if not points.exists() or not outline.exists():
        pytest.skip(f"{points.name} is not among the real tables")
    with points.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    with outline.open(encoding="utf-8") as file:
        corners = list(csv.DictReader(file))
    rings = sorted({r.get("ring", "1") for r in corners})
    shape = [
        np.array([[float(c["x"]), float(c["y"])] for c in corners if c.get("ring", "1") == ring]) for ring in rings
    ]
    xy = np.array([[float(r["x"]), float(r["y"])] for r in rows])
    return window_of(shape), xy, np.unique([r["marks"] for r in rows], return_inverse=True)[1]


def test_nests_of_two_ants(real_data: Path) -> None:
    """97 nests: K at five distances to 1e-9; neighbours 5, 24, 23, 45 against 8.458, 20.542, 20.542, 47.458."""
    folder = real_data / "r_reference"
    window, xy, ant = pattern(folder / "spatstat_ants.csv", folder / "spatstat_ants_window.csv")
    found = k_function(window, xy, np.array([23.9375, 47.875, 95.75, 143.625, 191.5]), "isotropic")
    k = [1402.70788535485, 6569.54175166455, 28369.3100167939, 66296.6518863449, 117053.303832705]
    np.testing.assert_allclose(found, k, rtol=1e-9)
    cross = k_function(window, xy, np.array([47.875, 95.75, 191.5]), "isotropic", (ant == 0, ant == 1))
    np.testing.assert_allclose(cross, [7666.14433549421, 31788.1592457939, 119365.789509925], rtol=1e-9)
    neighbours = neighbour_table(ant, nearest(xy)[0], 2)
    assert neighbours.observed.ravel().tolist() == [5, 24, 23, 45]
    np.testing.assert_allclose(neighbours.expected.ravel(), [8.458, 20.542, 20.542, 47.458], atol=5e-4)


@pytest.mark.parametrize(
    ("name", "radii", "k", "cross_r", "cross"),
    [
        (
            "demopat",
            [208.59375, 417.1875, 834.375, 1251.5625, 1668.75],
            [206074.749977408, 630577.819941098, 2696941.47694571, 5974535.45714374, 10478412.7702161],
            [417.1875, 834.375, 1668.75],
            [500403.439152318, 2295725.35111564, 9348166.28866379],
        ),
        (
            "urkiola",
            [4.684375, 9.36875, 18.7375, 28.10625, 37.475],
            [80.2447060066553, 309.456809890178, 1182.14802127323, 2612.8256793682, 4619.3379057227],
            [9.36875, 18.7375, 37.475],
            [282.189419330862, 1124.02039280748, 4573.5521134923],
        ),
    ],
)
def test_windows_of_many_corners(
    real_data: Path, name: str, radii: list[float], k: list[float], cross_r: list[float], cross: list[float]
) -> None:
    """Trees and a made pattern: demopat (a hole) and urkiola (44 corners): K and cross K to 1e-9."""
    folder = real_data.parent / "reference" / "spatstat"
    window, xy, sort = pattern(folder / f"{name}_pts.csv", folder / f"{name}_win.csv")
    np.testing.assert_allclose(k_function(window, xy, np.array(radii), "isotropic"), k, rtol=1e-9)
    ours = k_function(window, xy, np.array(cross_r), "isotropic", (sort == 0, sort == 1))
    np.testing.assert_allclose(ours, cross, rtol=1e-9)
