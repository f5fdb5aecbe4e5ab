"""Sugar and energy of nectar against printed tables and worked values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from domatia.stats.sugar import at_20_degrees, density, joules, sugar_mg

PER_CENT = np.array([10.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0])


def test_two_microlitres_at_25_per_cent() -> None:
    """0.5516 mg and 9.21 J: density of Prys-Jones & Corbet, 16.7 J a mg (worked by hand)."""
    mg = sugar_mg(np.array([2.0]), np.array([25.0]))
    assert mg[0] == pytest.approx(2.0 * 0.25 * 1.1032128, abs=1e-6)
    assert f"{mg[0]:.4f} {joules(mg)[0]:.2f}" == "0.5516 9.21"


def test_density_against_a_printed_sucrose_table() -> None:
    """g/mL at 20 °C: NBS Circular 440 (1942), table 114 (values from memory; 10 to 30 % seen in print)."""
    printed = np.array([1.0381, 1.0810, 1.1036, 1.1270, 1.1764, 1.2296, 1.2865])
    np.testing.assert_allclose(density(PER_CENT), printed, rtol=5e-4)


def test_sugar_in_a_microlitre_from_10_to_60_per_cent() -> None:
    """mg: grams of sucrose in a litre from the same table, 103.8 to 771.9, within a twentieth of a per cent."""
    printed = np.array([0.1038, 0.2162, 0.2759, 0.3381, 0.4706, 0.6148, 0.7719])
    np.testing.assert_allclose(sugar_mg(np.ones(7), PER_CENT), printed, rtol=6e-4)


def test_what_skipping_the_density_costs() -> None:
    """Per cent by weight taken as by volume loses 9.4 % at 25 % and 18.7 % at 50 % (worked by hand)."""
    lost = 1 - PER_CENT / 100 / sugar_mg(np.ones(7), PER_CENT)
    assert f"{100 * lost[2]:.1f} {100 * lost[5]:.1f}" == "9.4 18.7"


def test_temperature_against_a_printed_table() -> None:
    """OIV-MA-AS2-02, table I, at 10 and 15 °C and 10 to 50 %: within 0.02."""
    c = np.array([10.0, 20.0, 30.0, 40.0, 50.0])
    for celsius, printed in ((10.0, (-0.59, -0.65, -0.69, -0.72, -0.74)), (15.0, (-0.32, -0.34, -0.36, -0.37, -0.38))):
        np.testing.assert_allclose(at_20_degrees(c, np.full(5, celsius)) - c, printed, atol=0.021)


def test_at_20_degrees_nothing_changes_and_far_out_nothing_is_known() -> None:
    """20 °C leaves a reading alone; 4 and 41 °C give nan; a reading of nought in the cold stays nought."""
    c = np.array([0.0, 17.3, 64.0])
    np.testing.assert_array_equal(at_20_degrees(c, np.full(3, 20.0)), c)
    assert np.isnan(at_20_degrees(np.full(2, 20.0), np.array([4.0, 41.0]))).all()
    assert at_20_degrees(np.array([0.0]), np.array([10.0]))[0] == 0.0


@given(st.floats(0, 60), st.floats(5, 39.5))
def test_warmer_readings_are_raised_more(per_cent: float, celsius: float) -> None:
    """The corrected value rises with temperature, without jumps."""
    near = at_20_degrees(np.full(2, per_cent), np.array([celsius, celsius + 0.5]))
    assert 0 <= near[1] - near[0] < 0.1


@given(st.floats(0.5, 20), st.floats(1, 8), st.floats(5, 50))
def test_dilution_gives_back_the_sugar(volume: float, dilution: float, per_cent: float) -> None:
    """Sugar of the diluted solution is that of its own volume at its own reading."""
    one = sugar_mg(np.array([volume]), np.array([per_cent]), np.array([dilution]))
    assert one[0] == pytest.approx(sugar_mg(np.array([volume * dilution]), np.array([per_cent]))[0], rel=1e-12)
