"""Units of measured columns: here alone is anything converted.

Factors follow the SI Brochure (BIPM, 9th edition, 2019); inch and foot are the international ones (1959).
"""

_TO_BASE: dict[str, tuple[str, float]] = {
    "mm": ("length", 0.001),
    "cm": ("length", 0.01),
    "dm": ("length", 0.1),
    "m": ("length", 1.0),
    "km": ("length", 1000.0),
    "in": ("length", 0.0254),
    "ft": ("length", 0.3048),
    "mm2": ("area", 1e-6),
    "cm2": ("area", 1e-4),
    "m2": ("area", 1.0),
    "ha": ("area", 1e4),
    "s": ("time", 1.0),
    "min": ("time", 60.0),
    "h": ("time", 3600.0),
    "d": ("time", 86400.0),
    "uL": ("volume", 1e-6),
    "mL": ("volume", 1e-3),
    "L": ("volume", 1.0),
    "ug": ("mass", 1e-6),
    "mg": ("mass", 1e-3),
    "g": ("mass", 1.0),
    "kg": ("mass", 1e3),
    "1": ("number", 1.0),
    "%": ("number", 0.01),
    "deg": ("angle", 1.0),
    "Cel": ("temperature", 1.0),
}


def allowed_units(unit: str) -> tuple[str, ...]:
    """Give the units that can be turned into a field's unit."""
    if unit not in _TO_BASE:
        return (unit,) if unit else ()
    return tuple(u for u, (what, _) in _TO_BASE.items() if what == _TO_BASE[unit][0])


def factor(written: str, unit: str) -> float:
    """Give the number by which a value in the written unit is multiplied to be in the field's unit.

    Raises
    ------
    ValueError
        If the one cannot be turned into the other.
    """
    if written in ("", unit):
        return 1.0
    if written not in allowed_units(unit):
        raise ValueError(f"{written!r} cannot be turned into {unit!r}")
    top, bottom = _TO_BASE[written][1], _TO_BASE[unit][1]
    # Powers of ten are divided the way round that stays exact: 1 m is 100 cm, not 99.99999999999999 cm.
    return (
        float(round(top / bottom)) if top >= bottom and abs(top / bottom - round(top / bottom)) < 1e-9 else top / bottom
    )
