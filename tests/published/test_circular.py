"""Circular statistics against the package circular of R (another program's output, `reference/circular`)."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from domatia.stats.circular import mean_direction, rayleigh, watson_two_samples, widest_gap

ONE = np.array([6.2, 7.1, 7.9, 8.4, 9.3, 10.0, 11.6, 5.5, 4.8, 12.7, 23.1, 8.8]) * np.pi / 12
TWO = np.array([18.4, 19.9, 20.3, 22.8, 23.5, 1.2, 7.4, 21.0, 17.2, 16.6]) * np.pi / 12


def printed(name: str) -> list[float]:
    """Read the numbers of one line of the output."""
    path = Path(__file__).parents[2] / "reference" / "circular" / "circular.out"
    line = next(r for r in path.read_text(encoding="utf-8").splitlines() if r.startswith(name))
    return [float(v) for v in line[len(name) :].split()]


@pytest.mark.parametrize(("name", "angles"), [("one", ONE), ("two", TWO)])
def test_mean_direction_and_rayleigh(name: str, angles: np.ndarray[tuple[int], np.dtype[np.float64]]) -> None:
    """Mean, length, and the chance with the correction for small samples (circular 0.4-95)."""
    mean, length, statistic, p = printed(f"{name} mean R rayleigh p")
    found, test = mean_direction(angles), rayleigh(angles)
    assert (found.mean, found.length) == pytest.approx((mean, length), abs=1e-11)
    assert (test.statistic, test.p) == pytest.approx((statistic, p), abs=1e-11)


def test_watsons_two_samples() -> None:
    """U² without ties (circular 0.4-95), and its chance between the bounds which that program prints."""
    found = watson_two_samples(ONE, TWO)
    assert found.statistic == pytest.approx(printed("U2 one two")[0], abs=1e-11)
    assert 0.001 < found.p < 0.01


def test_the_chance_of_watsons_test_at_its_tabled_value() -> None:
    """The 5 % point of large samples is 0.187 (Watson 1962; also printed by R's circular)."""
    k = np.arange(1, 30)
    at = 2 * np.sum((-1.0) ** (k - 1) * np.exp(-2 * np.pi**2 * k**2 * 0.187))
    assert at == pytest.approx(0.05, abs=2e-4)


@given(st.lists(st.floats(0, 6.28), min_size=2, max_size=20), st.floats(0, 6.28))
def test_turning_the_circle_changes_nothing(angles: list[float], turn: float) -> None:
    """Length, U² and the widest gap are those of the turned sample; samples in the other order give the same U²."""
    a = np.round(np.array(angles), 3)
    b = np.linspace(0.1, 3.0, 7)
    assert mean_direction(a + turn).length == pytest.approx(mean_direction(a).length, abs=1e-9)
    assert widest_gap(a + turn) == pytest.approx(widest_gap(a), abs=1e-9)
    assert watson_two_samples(a, b).statistic == pytest.approx(watson_two_samples(b, a).statistic, abs=1e-12)


def test_ties_count_as_one_step() -> None:
    """Equal samples have U² of nought, however often a value comes; R's answer depends on which is named first."""
    tied = np.radians([50.0, 290.0, 300.0, 300.0, 340.0])
    assert watson_two_samples(tied, tied).statistic == pytest.approx(0.0, abs=1e-15)
    assert watson_two_samples(tied, np.repeat(tied, 3)).statistic == pytest.approx(0.0, abs=1e-15)


def test_nothing_is_refused() -> None:
    """Empty samples say so."""
    none = np.zeros(0)
    with pytest.raises(ValueError, match="there is no angle"):
        rayleigh(none)
    with pytest.raises(ValueError, match="a sample is empty"):
        watson_two_samples(none, ONE)
    assert widest_gap(ONE[:1]) == pytest.approx(2 * np.pi)
