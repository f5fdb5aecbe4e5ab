"""Units of measured columns."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from domatia.intake.convert_units import allowed_units, factor


@pytest.mark.parametrize(
    ("written", "unit", "by"),
    [
        ("m", "cm", 100.0),
        ("mm", "cm", 0.1),
        ("in", "cm", 2.54),
        ("ha", "m2", 10000.0),
        ("", "cm", 1.0),
        ("min", "s", 60.0),
    ],
)
def test_factors_are_those_of_the_si_brochure(written: str, unit: str, by: float) -> None:
    """Printed in the SI Brochure, 9th edition (2019); the inch from the agreement of 1959."""
    assert factor(written, unit) == pytest.approx(by, rel=1e-15)


@given(st.sampled_from(["cm", "m2", "s", "mL", "mg"]), st.data())
def test_there_and_back_is_one(unit: str, data: st.DataObject) -> None:
    """Turning a value into a unit and back changes nothing."""
    other = data.draw(st.sampled_from(allowed_units(unit)))
    assert factor(other, unit) * factor(unit, other) == pytest.approx(1.0, rel=1e-12)


def test_a_mass_is_no_length() -> None:
    """Units of another kind are refused."""
    with pytest.raises(ValueError, match="cannot be turned"):
        factor("kg", "cm")
