"""The effects of an answer as a table for a reader: plain names, shares in per cent, digits that the interval bears."""

import re
from collections.abc import Sequence
from math import floor, inf, isinf, log10

import polars as pl

from domatia.model import Effect

NAMES = {
    "hazard_ratio": "ratio of death rates (hazard ratio)",
    "procedure_hazard_ratio": "the procedure alone: ratio of death rates",
    "hazard_ratio_as_occupied": "ratio of death rates, as occupied",
    "survival": "alive",
    "survival_difference": "difference in share alive",
    "restricted_mean_difference": "difference in time alive (restricted mean)",
    "rgr": "relative growth rate",
    "rgr_difference": "difference in relative growth rate",
    "procedure_rgr_difference": "the procedure alone: difference in relative growth rate",
    "rgr_difference_as_occupied": "difference in relative growth rate, as occupied",
    "height_gain_cm": "height gained",
    "height_difference_cm": "difference in height gained",
    "height_difference_cm_dead_as_zero": "difference in height gained, the dead as zero",
    "share_dead": "dead",
    "missing": "leaf missing",
    "missing_difference": "difference in leaf missing",
    "missing_difference_model": "difference in leaf missing, mixed model",
    "missing_difference_per_month": "difference in leaf missing, for each month",
    "missing_difference_as_occupied": "difference in leaf missing, as occupied",
    "missing_log_ratio": "leaf missing: log response ratio",
    "missing_log_ratio_model": "leaf missing: log response ratio, mixed model",
    "standing_missing": "leaf missing, scored once",
    "standing_difference": "difference in leaf missing, scored once",
    "standing_log_ratio": "leaf missing, scored once: log response ratio",
    "marked_to_standing_ratio": "loss of marked leaves over that scored once",
    "cumulative_incidence": "ended so (cumulative incidence)",
    "mean_stay": "mean stay",
    "intensity": "changes for each plant and year (intensity)",
    "transition": "share a year later (transition probability)",
}
"""Effect, without the time in its name, to what a reader calls it."""

_SHARES = ("survival", "share_dead", "cumulative_incidence", "transition")
_CHANGES = ("intensity", "transition")
_COLONISATION = "colonisation_hazard_ratio_"
_UNITS = {"1": "", "d": "days", "a": "years", "1/a": "a year"}
_LONG_NUMBER = re.compile(r"\d+\.\d{3,}")
_TIME = re.compile(r"_1y(?=_|$)")


def effect_name(name: str) -> str:
    """Give what a reader calls an effect; one that is not known is told with its own name."""
    bare = _TIME.sub("", name)
    if bare in NAMES:
        return NAMES[bare]
    if bare.startswith(_COLONISATION):
        return f"ratio of colonisation rates: {bare.removeprefix(_COLONISATION).replace('_', ' ')}"
    return name.replace("_", " ")


def _scaled(effect: Effect) -> tuple[float, str]:
    """Give the factor by which an effect is shown, and the unit it then has."""
    bare = _TIME.sub("", effect.name)
    if effect.unit == "1" and bare in _SHARES:
        return 100.0, "%"
    if effect.unit == "1" and bare.endswith("_share"):
        return 100.0, "%"
    if effect.unit == "1" and bare.removesuffix("_as_occupied").endswith("_difference"):
        return 100.0, "points"
    if effect.unit == "1/a" and "rgr" in bare:
        return 100.0, "points a year" if "difference" in bare else "% a year"
    if effect.unit == "%" and "difference" in bare:
        return 1.0, "points"
    return 1.0, _UNITS.get(effect.unit, effect.unit)


def _told(values: Sequence[float], ratio: bool) -> list[str]:
    """Write an estimate and its bounds with two digits of the interval's width; wide ratios with three each."""
    estimate, low, high = values
    if any(isinf(v) for v in values) or (ratio and low > 0 and high / low > 4):
        return ["no bound" if abs(v) == inf else f"{v:.3g}" if abs(v) < 1000 else f"{v:,.0f}" for v in values]
    width = high - low if high - low > 1e-6 * abs(estimate) else max(abs(estimate), 1.0)
    digits = min(max(1 - floor(log10(width)), 0), 6)
    return [f"{v + 0.0:,.{digits}f}" for v in (round(estimate, digits), round(low, digits), round(high, digits))]


def _groups(effect: Effect) -> str:
    """Say what is compared with what, what changes to what, or which plants ended how."""
    if not effect.against:
        return effect.of
    if effect.name.startswith("cumulative_incidence"):
        return f"{effect.of}: {effect.against} plants"
    return f"{effect.of} {'to' if effect.name.startswith(_CHANGES) else 'against'} {effect.against}"


def effect_table(effects: Sequence[Effect]) -> pl.DataFrame:
    """Give the effects as text.

    Parameters
    ----------
    effects : sequence of Effect

    Returns
    -------
    polars.DataFrame
        `effect`, `for` (what is compared with what), `estimate`, the interval, its `unit` and `where`; a difference
        of two percentages is told in percentage points. Where all effects hold for the same part of the study, it is
        named once, in the header of the first column.
    """
    levels = sorted({round(100 * e.level) for e in effects})
    interval = f"{levels[0]} % interval" if len(levels) == 1 else "interval"
    rows = []
    for e in effects:
        by, unit = _scaled(e)
        estimate, low, high = _told([by * e.estimate, by * e.low, by * e.high], "ratio" in e.name)
        where = _LONG_NUMBER.sub(lambda m: f"{float(m[0]):.2f}", e.where)
        rows.append((effect_name(e.name), _groups(e), estimate, f"{low} to {high}", unit, where))
    schema = ["effect", "for", "estimate", interval, "unit", "where"]
    found = pl.DataFrame(rows, schema=dict.fromkeys(schema, pl.String), orient="row")
    places = found["where"].unique()
    if places.len() != 1:
        return found
    return found.drop("where").rename({} if places[0] == "all" else {"effect": f"effect ({places[0]})"})
