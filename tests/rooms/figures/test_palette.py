"""The palette is told apart in greyscale and by colour-blind readers, measured on the colours themselves.

Sources: relative luminance and contrast, WCAG 2.2 (W3C 2023, definition "relative luminance"; values from memory);
dichromats, the matrices of Viénot, Brettel & Mollon 1999 (Color Res. Appl. 24:243-252) for linear RGB with the
rounding used by common simulators (protan 0.11238/0.88762, deutan 0.29275/0.70725, from memory); distance,
CIE 1976 L*a*b* under D65. The thresholds are common practice, no source.
"""

from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray

from domatia.figures.style import GREY, INK, LOOKS, looks_of, scales

Array = NDArray[np.float64]

SEEN = {
    "normal": np.eye(3),
    "protan": np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]]),
    "deutan": np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]),
}
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE = np.array([0.9505, 1.0, 1.089])


def linear(colour: str) -> Array:
    """Give linear RGB of a colour such as "#123f6b" (IEC 61966-2-1)."""
    v = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def luminance(colour: str) -> float:
    """Give relative luminance, 0 to 1."""
    return float(TO_XYZ[1] @ linear(colour))


def lab(colour: str, seen: str) -> Array:
    """Give L*a*b* of a colour as a reader sees it."""
    xyz = TO_XYZ @ np.clip(SEEN[seen] @ linear(colour), 0, 1) / WHITE
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("seen", list(SEEN))
def test_treatments_differ_in_colour_for_every_reader(seen: str) -> None:
    """Removal, sham and control lie 20 units of L*a*b* apart or more."""
    looks = looks_of(("removal", "sham", "control"))
    for a, b in combinations(looks.values(), 2):
        assert np.linalg.norm(lab(a.colour, seen) - lab(b.colour, seen)) > 20, (a, b)


def test_treatments_differ_in_a_black_and_white_copy() -> None:
    """Their lightness differs by 9 units of L* or more."""
    lightness = sorted(lab(look.colour, "normal")[0] for look in looks_of(("removal", "sham", "control")).values())
    assert np.diff(lightness).min() > 9


@pytest.mark.parametrize("seen", list(SEEN))
def test_any_two_looks_differ_in_colour_or_pattern(seen: str) -> None:
    """Where two colours come close for a reader, dashes and shape still differ; always all three do."""
    for a, b in combinations(LOOKS, 2):
        assert a.dash != b.dash
        assert a.shape != b.shape
        assert np.linalg.norm(lab(a.colour, seen) - lab(b.colour, seen)) > 5, (a.colour, b.colour)


def test_lines_and_words_stand_out_from_white() -> None:
    """Text has a contrast of 4.5 to white or more (WCAG 1.4.3); lines 2 or more."""
    for ink in (INK, GREY):
        assert 1.05 / (luminance(ink) + 0.05) >= 4.5
    for look in LOOKS:
        assert 1.05 / (luminance(look.colour) + 0.05) >= 2.0, look


def test_a_name_keeps_its_look_in_every_figure() -> None:
    """Treatments and vacant look the same whatever stands beside them; no two names share a look."""
    alone, together = looks_of(("sham",)), looks_of(("Rust", "removal", "sham", "vacant", "Velvet"))
    assert alone["sham"] == together["sham"]
    assert looks_of(("Sham",))["Sham"] == alone["sham"]
    assert len({look.colour for look in together.values()}) == 5
    assert looks_of(("a", "b")) == looks_of(("a", "b"))


def test_scales_carry_colour_dash_and_shape_in_the_order_of_names() -> None:
    """A plain line is written as [1, 0]."""
    found = scales(("sham", "removal"))
    assert found["color"]["domain"] == ["sham", "removal"]
    assert found["strokeDash"]["range"][0] == [1, 0]
    assert len(found["shape"]["range"]) == 2
