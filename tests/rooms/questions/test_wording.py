"""Numbers and comparisons in words claim no more than the interval holds."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from domatia.model import Effect
from domatia.questions.wording import bounds, compared, group, interval, number, points, share

WORDS = ("died {times} times as fast as", "died neither faster nor slower than")
NAMES = ("treatment", "removal", "sham")


def ratio(estimate: float, low: float, high: float) -> Effect:
    """Make a ratio."""
    return Effect("hazard_ratio", "removal", "sham", estimate, low, high)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1.8234, "1.82"), (0.0, "0"), (1234.5, "1,234"), (99.96, "100"), (0.000012, "0.000012"), (-3.456, "-3.46"),
        (float("inf"), "no bound"), (float("nan"), "unknown"),
    ],
)  # fmt: skip
def test_numbers_have_three_digits(value: float, text: str) -> None:
    """Three meaningful digits, no power of ten, words for what is no number."""
    assert number(value) == text


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12))
def test_no_number_is_written_with_a_power_of_ten(value: float) -> None:
    """Whatever the size, the text is plain."""
    assert "e" not in number(value)


def test_shares_and_points_carry_their_unit() -> None:
    """One decimal near 0 and 100 per cent, none between."""
    assert (share(0.0345), share(0.5), share(0.987), share(1.0)) == ("3.5 %", "50 %", "98.7 %", "100 %")
    assert points(0.1216) == "12.2 percentage points"
    assert interval(ratio(2, 1.5, 3)) == "95 % interval 1.5 to 3"
    assert bounds(ratio(2, 1.5, float("inf"))) == "1.5 to no bound"


def test_groups_are_named_as_plants() -> None:
    """Treatments by their name, fields by field and value."""
    assert group("treatment", "sham") == "sham plants"
    assert group("place_name", "N1") == "plants with place name 'N1'"


@given(st.floats(0.01, 100, allow_nan=False), st.floats(1.0, 50, allow_nan=False), st.floats(1.0, 50, allow_nan=False))
def test_no_difference_is_claimed_that_the_interval_does_not_hold(middle: float, down: float, up: float) -> None:
    """The plain claim stands only if 1 lies outside the interval; else the sentence begins with its absence."""
    text = compared(ratio(middle, middle / down, middle * up), NAMES, *WORDS)
    shown = middle / down > 1 or middle * up < 1
    assert text.startswith("Removal plants died") == shown
    assert text.startswith("No difference was shown") == (not shown)
