"""Headers of tables: plain words, the unit in brackets, the count or year they hold."""

WORDS = {
    "orcid": "ORCID",
    "horizon_days": "horizon (days)",
    "median_days": "median days until",
    "median_days_to_it": "median days until",
    "share_of_days_vacant": "days vacant (share)",
    "smallest_effect": "smallest effect that matters",
    "on": "stated on",
    "p": "p value",
}
"""Columns whose header is not their name with spaces."""

_STATISTICS = {"mean": "mean", "sd": "standard deviation", "median": "median"}
_UNITS = {"cm": "cm", "mm": "mm", "m": "m", "m2": "m²", "pct": "%"}

PLAIN_NUMBERS = ("year", "seed", "number")
"""Columns whose whole numbers are names rather than counts, so no thousands are parted."""


def header_of(column: str) -> str:
    """Give the header of a column, such as "mean height (cm)" for `height_cm_mean`."""
    if column in WORDS:
        return WORDS[column]
    parts = column.split("_")
    statistic = _STATISTICS.get(parts[-1], "") if len(parts) > 1 else ""
    parts = parts[:-1] if statistic else parts
    unit = _UNITS.get(parts[-1], "") if len(parts) > 1 else ""
    parts = parts[:-1] if unit else parts
    said = " ".join([statistic, *parts] if statistic in ("mean", "median") else parts)
    said = f"{said}, {statistic}" if statistic == "standard deviation" else said
    return f"{said} ({unit})" if unit else said
