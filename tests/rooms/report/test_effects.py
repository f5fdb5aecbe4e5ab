"""Effects and headers as a reader sees them."""

from math import inf

import pytest

from domatia.model import Effect
from domatia.report.effects import effect_name, effect_table
from domatia.report.headers import header_of


def _effect(name: str, values: tuple[float, float, float], unit: str = "1", where: str = "all") -> Effect:
    estimate, low, high = values
    return Effect(name, "removal", "sham", estimate, low, high, where=where, unit=unit)


def _row(effect: Effect) -> tuple[str, ...]:
    return effect_table([effect]).select("estimate", "95 % interval", "unit").row(0)


def test_shares_are_told_in_per_cent_and_their_differences_in_points() -> None:
    """A share of 0.852 is 85.2 %, a difference of shares of -0.128 is -13 percentage points."""
    assert _row(_effect("survival_1y", (0.852, 0.813, 0.883))) == ("85.2", "81.3 to 88.3", "%")
    assert _row(_effect("survival_difference_1y", (-0.128, -0.176, -0.02))) == ("-13", "-18 to -2", "points")


def test_growth_rates_are_told_in_per_cent_a_year() -> None:
    """A relative growth rate of 0.211 a year is 21.1 % a year, and differences of such are points a year."""
    assert _row(_effect("rgr", (0.211, 0.182, 0.24), "1/a")) == ("21.1", "18.2 to 24.0", "% a year")
    assert _row(_effect("rgr_difference", (-0.0767, -0.0932, -0.0602), "1/a"))[2] == "points a year"


def test_digits_follow_the_interval_and_wide_ratios_keep_three() -> None:
    """The width of the interval decides the decimals; a ratio over orders of magnitude keeps three digits."""
    assert _row(_effect("hazard_ratio", (1.8, 1.51, 2.15)))[:2] == ("1.80", "1.51 to 2.15")
    assert _row(_effect("hazard_ratio", (2.81, 0.0509, 154.7)))[:2] == ("2.81", "0.0509 to 155")
    assert _row(_effect("restricted_mean_difference", (-150.2, -198.4, -101.1), "d")) == (
        "-150",
        "-198 to -101",
        "days",
    )


def test_an_interval_without_width_gets_no_false_digits() -> None:
    """Where nothing varies the digits follow the estimate."""
    assert _row(_effect("missing_1y", (100.0, 100.0, 100.0), "%"))[:2] == ("100", "100 to 100")
    assert _row(_effect("missing_difference_1y", (0.0, 0.0, 0.0), "%"))[0] == "0.0"


def test_a_missing_bound_is_told() -> None:
    """An infinite bound is no number."""
    assert _row(_effect("hazard_ratio", (3.0, 1.2, inf)))[1] == "1.2 to no bound"


def test_a_common_place_is_named_once() -> None:
    """Where all effects hold for one part of the study its name moves into the header."""
    common = effect_table([_effect("mean_stay", (1.0, 0.5, 2.0), "a", "patrolling workers")])
    assert common.columns[0] == "effect (patrolling workers)"
    assert "where" not in common.columns
    mixed = effect_table([_effect("rgr", (1, 0, 2), "1/a"), _effect("rgr", (1, 0, 2), "1/a", "after 0.99384 years")])
    assert mixed["where"].to_list() == ["all", "after 0.99 years"]


def test_changes_go_from_one_state_to_another() -> None:
    """A transition is to a state, a ratio is of one group against another."""
    shown = effect_table([_effect("transition_1y", (0.4, 0.3, 0.5)), _effect("hazard_ratio", (1.8, 1.5, 2.2))])
    assert shown["for"].to_list() == ["removal to sham", "removal against sham"]


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("survival_difference_1y", "difference in share alive"),
        ("height_difference_1y_cm_dead_as_zero", "difference in height gained, the dead as zero"),
        ("colonisation_hazard_ratio_light", "ratio of colonisation rates: light"),
        ("something_new", "something new"),
    ],
)
def test_effects_have_plain_names(name: str, told: str) -> None:
    """Known effects are told in plain words, others with their own name."""
    assert effect_name(name) == told


@pytest.mark.parametrize(
    ("column", "told"),
    [
        ("height_cm_mean", "mean height (cm)"),
        ("openness_pct_sd", "openness, standard deviation (%)"),
        ("orcid", "ORCID"),
        ("found_dead", "found dead"),
    ],
)
def test_headers_carry_their_unit(column: str, told: str) -> None:
    """Column names become words with the unit in brackets."""
    assert header_of(column) == told
