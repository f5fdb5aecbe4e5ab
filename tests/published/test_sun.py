"""The sun's place against the worked example of the NREL algorithm."""

from datetime import UTC, datetime

import numpy as np
import pytest

from domatia.lifecycle.layers.patrols import sun_before_clock
from domatia.stats.sun import day_length, seen_from, solar_hour, sun_at

NREL = np.array([datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC).timestamp()])
"""Printed in Reda & Andreas 2008, NREL/TP-560-34302 (revised), table A5.1: 12:30:30 at 7 hours west of Greenwich."""


def test_the_worked_example() -> None:
    """Zenith 50.11162 and azimuth 194.34024 degrees; ours is a shorter series, good to 0.0005 degree."""
    found = seen_from(NREL, -105.1786, 39.742476, height_m=1830.14, pressure_mbar=820.0, air_c=11.0)
    assert found.zenith[0] == pytest.approx(50.11162, abs=5e-4)
    assert found.azimuth[0] == pytest.approx(194.34024, abs=5e-4)
    assert f"{found.zenith[0]:.2f} {found.azimuth[0]:.2f}" == "50.11 194.34"


def test_right_ascension_and_declination_of_the_example() -> None:
    """The same table prints 202.22741 and -9.31434 degrees as seen from the middle of the earth."""
    sun = sun_at(NREL)
    assert sun.right_ascension[0] == pytest.approx(202.22741, abs=5e-4)
    assert sun.declination[0] == pytest.approx(-9.31434, abs=5e-4)


def test_meeus_example_of_the_sun() -> None:
    """1992 October 13 0 h dynamical time: 13 h 13 min 30.749 s, -7° 47' 01.74" (Meeus 1998, p. 169)."""
    sun = sun_at(np.array([datetime(1992, 10, 13, tzinfo=UTC).timestamp() - 59.0]))
    assert sun.right_ascension[0] == pytest.approx(15 * (13 + 13 / 60 + 30.749 / 3600), abs=1e-3)
    assert sun.declination[0] == pytest.approx(-(7 + 47 / 60 + 1.74 / 3600), abs=1e-3)


def test_sun_time_against_clock_time() -> None:
    """In early November the sun leads the mean clock by some 16.4 minutes, in mid February it lags by some 14.2."""
    for day, minutes in ((datetime(2021, 11, 3, 12, tzinfo=UTC), 16.4), (datetime(2021, 2, 11, 12, tzinfo=UTC), -14.2)):
        hour = solar_hour(np.array([day.timestamp()]), np.array([0.0]))[0]
        assert 60 * (hour - 12) == pytest.approx(minutes, abs=0.1)


def test_the_equation_of_time_by_another_series() -> None:
    """Spencer's short series (1971), as the invented study uses it, keeps within a minute all year round."""
    days = np.arange(365, dtype=np.float64)
    noon = datetime(2021, 1, 1, 12, tzinfo=UTC).timestamp() + days * 86_400.0
    ours = solar_hour(noon, np.zeros(365)) - 12
    assert float(np.abs(ours - sun_before_clock(days + 1.0)).max()) < 1 / 60


def test_days_at_the_equator_and_the_pole() -> None:
    """Twelve hours and seven minutes at the equator; at the pole the sun stays up in June and down in December."""
    june, december = (datetime(2021, m, 21, tzinfo=UTC).timestamp() for m in (6, 12))
    assert day_length(np.array([june]), np.array([0.0]))[0] == pytest.approx(12.12, abs=0.01)
    assert day_length(np.array([june, december]), np.array([89.0, 89.0])).tolist() == [24.0, 0.0]


def test_hours_move_on_with_longitude() -> None:
    """Fifteen degrees east is an hour later, everywhere."""
    hours = solar_hour(np.repeat(NREL, 25), np.arange(-180.0, 181.0, 15.0))
    np.testing.assert_allclose(np.diff(np.unwrap(hours, period=24)), 1.0, atol=1e-9)
