"""Where the sun stands: true solar hour, height and direction, and the length of the day.

Apparent position after Meeus 1998, Astronomical Algorithms (2nd ed.), chapters 12, 13, 22, 25, 28 and 40, with the
five perturbations of the sun's longitude of Meeus 1979, Astronomical Formulae for Calculators, chapter 18; refraction
and the correction to the place of the observer as in Reda & Andreas 2004, Solar Energy 76:577-589. Against the worked
example of the latter it is right to 0.0005 degree. The difference between clock time of the atoms and of the earth is
the polynomial of Espenak & Meeus 2006 (NASA/TP-2006-214141). Meant for 1950 to 2100. Not covered: hills and canopy on
the horizon.
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats

RISE_AND_SET = -0.8333
"""Height of the sun's centre, in degrees, when its upper edge is seen on a flat horizon."""
_J2000 = 2_451_545.0
_EPOCH = 2_440_587.5
_HALF_DISC = 0.26667


@dataclass(frozen=True, eq=False)
class Sun:
    """The sun as seen from the middle of the earth.

    Attributes
    ----------
    right_ascension, declination, sidereal : array
        Degrees; `sidereal` is apparent sidereal time at Greenwich.
    parallax : array
        Horizontal parallax, degrees.
    """

    right_ascension: Floats
    declination: Floats
    sidereal: Floats
    parallax: Floats


@dataclass(frozen=True, eq=False)
class SunSeen:
    """The sun as seen from a place.

    Attributes
    ----------
    zenith, azimuth : array
        Degrees from the zenith, and clockwise from north.
    """

    zenith: Floats
    azimuth: Floats


def sun_at(seconds: Floats) -> Sun:
    """Give the sun's apparent position.

    Parameters
    ----------
    seconds : array
        Seconds since 1970-01-01 00:00 UTC.
    """
    day = np.asarray(seconds, dtype=np.float64) / 86_400.0 + _EPOCH
    t = (day - _J2000) / 36_525.0
    earth = (day + _clock_difference(t) / 86_400.0 - _J2000) / 36_525.0
    longitude, distance, anomaly_node = _apparent(earth)
    turn, tilt = _nutation(earth, anomaly_node)
    longitude = longitude + turn - 20.4898 / 3600.0 / distance
    obliquity = 23.4392911 - 0.0130042 * earth - 1.64e-7 * earth**2 + tilt
    alpha = np.degrees(np.arctan2(_cos(obliquity) * _sin(longitude), _cos(longitude)))
    delta = np.degrees(np.arcsin(_sin(obliquity) * _sin(longitude)))
    sidereal = 280.46061837 + 360.98564736629 * (day - _J2000) + 0.000387933 * t**2
    sidereal = sidereal + turn * _cos(obliquity)
    return Sun(alpha % 360.0, delta, sidereal % 360.0, 8.794 / 3600.0 / distance)


def _sin(degrees: Floats) -> Floats:
    return np.sin(np.radians(degrees))


def _cos(degrees: Floats) -> Floats:
    return np.cos(np.radians(degrees))


def _clock_difference(t: Floats) -> Floats:
    """Give terrestrial time less universal time, in seconds; `t` in centuries from 2000."""
    years = 100.0 * t
    return np.where(
        years < 5.0, 63.86 + 0.3345 * years - 0.060374 * years**2, 62.92 + 0.32217 * years + 0.005589 * years**2
    )


def _apparent(t: Floats) -> tuple[Floats, Floats, Floats]:
    """Give the true longitude in degrees, the distance in astronomical units, and the longitude of the moon's node."""
    mean = 280.46646 + 36_000.76983 * t + 0.0003032 * t**2
    anomaly = 357.52911 + 35_999.05029 * t - 0.0001537 * t**2
    shape = 0.016708634 - 0.000042037 * t - 1.267e-7 * t**2
    centre = (
        (1.914602 - 0.004817 * t - 0.000014 * t**2) * _sin(anomaly)
        + (0.019993 - 0.000101 * t) * _sin(2 * anomaly)
        + 0.000289 * _sin(3 * anomaly)
    )
    old = t + 1.0
    pull = (
        0.00134 * _cos(153.23 + 22_518.7541 * old)
        + 0.00154 * _cos(216.57 + 45_037.5082 * old)
        + 0.00200 * _cos(312.69 + 32_964.3577 * old)
        + 0.00179 * _sin(350.74 + 445_267.1142 * old - 0.00144 * old**2)
        + 0.00178 * _sin(231.19 + 20.20 * old)
    )
    distance = 1.000001018 * (1 - shape**2) / (1 + shape * _cos(anomaly + centre))
    return mean + centre + pull, distance, 125.04452 - 1934.136261 * t


def _nutation(t: Floats, node: Floats) -> tuple[Floats, Floats]:
    """Give the nutation in longitude and in obliquity, in degrees."""
    sun, moon = 280.4665 + 36_000.7698 * t, 218.3165 + 481_267.8813 * t
    turn = -17.20 * _sin(node) - 1.32 * _sin(2 * sun) - 0.23 * _sin(2 * moon) + 0.21 * _sin(2 * node)
    tilt = 9.20 * _cos(node) + 0.57 * _cos(2 * sun) + 0.10 * _cos(2 * moon) - 0.09 * _cos(2 * node)
    return turn / 3600.0, tilt / 3600.0


def _hour_angle(sun: Sun, longitude: Floats) -> Floats:
    return np.asarray((sun.sidereal + longitude - sun.right_ascension + 180.0) % 360.0 - 180.0)


def solar_hour(seconds: Floats, longitude: Floats) -> Floats:
    """Give the true solar hour: 12 when the sun stands in the meridian, whatever the clock says.

    Parameters
    ----------
    seconds : array
        Seconds since 1970-01-01 00:00 UTC.
    longitude : array
        Degrees, east positive.

    Returns
    -------
    array
        0 to 24.
    """
    return np.asarray((_hour_angle(sun_at(seconds), np.asarray(longitude)) / 15.0 + 12.0) % 24.0)


def day_length(seconds: Floats, latitude: Floats) -> Floats:
    """Give the hours from sunrise to sunset on the day of each moment; 0 or 24 where the sun stays down or up."""
    delta, phi = sun_at(seconds).declination, np.asarray(latitude, dtype=np.float64)
    cosine = (_sin(np.asarray(RISE_AND_SET)) - _sin(phi) * _sin(delta)) / np.maximum(_cos(phi) * _cos(delta), 1e-9)
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))) * 2.0 / 15.0)


def seen_from(
    seconds: Floats,
    longitude: float,
    latitude: float,
    *,
    height_m: float = 0.0,
    pressure_mbar: float = 1010.0,
    air_c: float = 10.0,
) -> SunSeen:
    """Give the direction of the sun from a place.

    Parameters
    ----------
    seconds : array
        Seconds since 1970-01-01 00:00 UTC.
    longitude, latitude : float
        Degrees, east and north positive.
    height_m : float
        Above the sea.
    pressure_mbar, air_c : float
        Yearly means of the place, for refraction.
    """
    sun = sun_at(seconds)
    angle, delta, phi = _hour_angle(sun, np.asarray(longitude)), sun.declination, np.asarray(latitude)
    u = np.degrees(np.arctan(0.99664719 * np.tan(np.radians(phi))))
    x = _cos(u) + height_m / 6_378_140.0 * _cos(phi)
    y = 0.99664719 * _sin(u) + height_m / 6_378_140.0 * _sin(phi)
    below = _cos(delta) - x * _sin(sun.parallax) * _cos(angle)
    shift = np.degrees(np.arctan2(-x * _sin(sun.parallax) * _sin(angle), below))
    delta = np.degrees(np.arctan2((_sin(delta) - y * _sin(sun.parallax)) * _cos(shift), below))
    angle = angle - shift
    height = np.degrees(np.arcsin(_sin(phi) * _sin(delta) + _cos(phi) * _cos(delta) * _cos(angle)))
    strength = pressure_mbar / 1010.0 * 283.0 / (273.0 + air_c) * 1.02 / 60.0
    bend = strength / np.tan(np.radians(height + 10.3 / (height + 5.11)))
    height = height + np.where(height >= -(_HALF_DISC + 0.5667), bend, 0.0)
    azimuth = np.degrees(np.arctan2(_sin(angle), _cos(angle) * _sin(phi) - np.tan(np.radians(delta)) * _cos(phi)))
    return SunSeen(90.0 - height, np.asarray((azimuth + 180.0) % 360.0))
