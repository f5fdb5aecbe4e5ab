"""A plant shrank more than measurement explains.

What is wrong
-------------
A plant is far smaller than at the visit before. Some shrink in truth (a browsed tip, a fallen stem), and every measure
errs; this check names the steps that lie outside what this study's own measures scatter by. A wrong plant under the
tag, a slip of the pen or a broken stem is then likelier than an error of measurement.

An example that fails
---------------------
| plant | visit | height_cm |
|-------|-------|-----------|
| 82    | 2003  | 142       |
| 82    | 2004  | 14        |

(In a study in which nine steps of ten lie between -15 % and +40 %.)

The better form
---------------
Look at the sheet. If it says 142, correct the value; if the stem broke or was browsed, write so under condition and
settle the finding. The value is never changed or left out by the tool.

How it is judged
----------------
For height and basal diameter, the logarithmic step d = ln(new / old). Where at least 20 visits were measured twice
(`repeat_of`), s is the root mean square of their logarithmic differences, and a step is named when d < -z s. Otherwise
steps are compared with those of plants of like size (tenths by size before): median m, s = 1.4826 times the median
absolute deviation, and a step is named when d < min(m, 0) - z s. z is the normal quantile that one step in all of them
would pass by chance, at least 3.

What it does not see
--------------------
Small shrinkage; shrinkage in studies with fewer than 20 steps, or where most steps are exactly alike; a wrong value
that is too large (the step down after it is named instead, or see the check of tenfold jumps). Real dieback is named
like an error. Shoots and leaves are counts that fall in truth, and are not judged.

Source
------
Measurement error from repeats: Bland and Altman 1996, BMJ 312:1654 (from memory). Median absolute deviation as a
standard deviation: Rousseeuw and Croux 1993, Journal of the American Statistical Association 88:1273 (from memory).
"""

import polars as pl

from domatia.checks.gather import Row, grouped, number, wheres
from domatia.checks.naming import labelled
from domatia.checks.steps import FEWEST, SIZES, measured, repeat_spread, steps, threshold, with_spread
from domatia.checks.written import at, listing, written
from domatia.model import Check, Finding, StudyData


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find steps down that lie outside the scatter of this study's own measures."""
    return tuple(finding for measure in measured(data) for finding in _run(data, measure))


def _run(data: StudyData, measure: str) -> list[Finding]:
    pairs = steps(data, measure).filter(pl.col("log_step").is_not_null())
    if pairs.height < FEWEST:
        return []
    repeats = repeat_spread(data, measure)
    judged = (
        with_spread(pairs)
        if repeats is None
        else pairs.with_columns(pl.lit(0.0).alias("centre"), pl.lit(repeats).alias("spread"))
    )
    lowest = pl.min_horizontal(pl.col("centre"), 0.0) - threshold(pairs.height) * pl.col("spread")
    shrunk = judged.with_columns(lowest.alias("lowest")).filter(
        (pl.col("log_step") < pl.col("lowest")) & (pl.col("spread") > 0)
    )
    named = labelled(shrunk, data).with_columns(
        written("before").alias("written_before"), (pl.col("before") * pl.col("lowest").exp()).alias("least")
    )
    return [_finding(rows, measure, repeats is not None) for rows in grouped(named, "plant")]


def _finding(rows: list[Row], measure: str, from_repeats: bool) -> Finding:
    unit = SIZES[measure]
    told = [
        f"from {number(r['before'])} {unit} {at(r['written_before'])} to {number(r[measure])} {unit} {at(r['written'])}"
        for r in rows
    ]
    yardstick = "visits measured twice" if from_repeats else "steps of plants of like size"
    least = listing([f"{r['least']:.4g} {unit}" for r in rows])
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "visit", measure),
        found=f"It shrank {listing(told)}.",
        expected=f"Not below {least}, judged by the {yardstick} in this study.",
        remedy="Compare the sheet; correct the value, or write down why the plant shrank and settle this.",
        subjects=(rows[0]["plant"],),
        values=(measure, *told),
    )


CHECK = Check(
    code="shrinkage",
    title="A plant shrank more than measurement explains",
    severity="warning",
    kinds=("visit", "plant"),
    run=run,
)
