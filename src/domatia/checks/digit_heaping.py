"""Too many values end in 0 or 5.

What is wrong
-------------
An observer rounds: far more than a fifth of the values end in 0 or 5. The values are less exact than they look, small
growth vanishes and comes in jumps.

An example that fails
---------------------
| observer | heights | ending in 0 or 5 |
|----------|---------|------------------|
| AB       | 400     | 61 %             |

The better form
---------------
Read the rod to the centimetre, and measure some plants twice. The values stay; the error of measurement from repeats
tells what the rounding costs.

How it is judged
----------------
By observer and measure (height, basal diameter), whole numbers of 10 and above, each plant's successive equal values
counted once. Named where at least 50 values stand, at least 30 % end in 0 or 5, and so many would come from a fifth by
chance less than once in a hundred times over all observers.

What it does not see
--------------------
Rounding to even numbers; decimals; leaf scores, which are in fives by custom. Where no observer is named, all such
values count as one observer's.

Source
------
The share of 0 and 5 against a fifth is the idea of Whipple's index: United Nations 1955, Manual II: Methods of
appraisal of quality of basic data for population estimates (from memory). The limits are our own.
"""

from math import sqrt
from statistics import NormalDist

import polars as pl

from domatia.checks.gather import wheres
from domatia.checks.observers import person, sheets
from domatia.checks.sightings import sightings
from domatia.checks.steps import measured
from domatia.model import Check, Finding, StudyData

_WORDS = {"height_cm": "heights", "basal_mm": "diameters"}
_FIFTH = 0.2
_SHARE = 0.3
_FEWEST = 50
_CHANCE = 0.01


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find observers whose whole numbers end in 0 or 5 too often."""
    seen = sightings(data).with_columns(pl.col("observer").fill_null(""))
    found = []
    for measure in measured(data):
        rows = _whole(seen, measure)
        table = (
            rows.group_by("observer")
            .agg(pl.len().alias("n"), pl.col("round_number").sum().alias("heaped"))
            .sort("observer")
        )
        limit = NormalDist().inv_cdf(1 - _CHANCE / max(table.height, 1))
        for name, n, heaped in table.iter_rows():
            beyond = (heaped - _FIFTH * n) / sqrt(_FIFTH * (1 - _FIFTH) * n) > limit
            if n >= _FEWEST and heaped / n >= _SHARE and beyond:
                found.append(_finding(name, measure, (heaped, n), rows, data))
    return tuple(found)


def _whole(seen: pl.DataFrame, measure: str) -> pl.DataFrame:
    value = pl.col(measure)
    again = (value == value.shift(1)) & (pl.col("plant") == pl.col("plant").shift(1))
    return seen.filter(~again.fill_null(False) & (value >= 10) & (value % 1 == 0)).with_columns(
        (value % 5 == 0).alias("round_number")
    )


def _finding(name: str, measure: str, share: tuple[int, int], rows: pl.DataFrame, data: StudyData) -> Finding:
    heaped, n = share
    who = name or "observers not named"
    return Finding(
        code=CHECK.code,
        severity="note",
        where=wheres(sheets(rows.filter(pl.col("observer") == name), name, data), "visit", measure),
        found=f"Of {n:,} {_WORDS[measure]} by {who}, {100 * heaped / n:.0f} % end in 0 or 5.",
        expected="About a fifth of whole numbers end in 0 or 5.",
        remedy="Read to the last unit, and measure some plants twice to learn the error.",
        subjects=(person(name, data),),
        values=(measure, name, f"{heaped / n:.1f}"),
    )


CHECK = Check(
    code="digit_heaping",
    title="Too many values end in 0 or 5",
    severity="note",
    kinds=("visit", "person", "plant"),
    run=run,
)
