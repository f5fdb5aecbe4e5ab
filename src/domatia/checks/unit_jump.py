"""A value jumps by 10 or 100 times and back, as if written in another unit.

What is wrong
-------------
One height stands about ten or a hundred times above or below the heights of the same plant before and after it: a
decimal sign lost, millimetres or metres where the column says centimetres. Or nearly all plants of a place jump so from
one round to the next: then a whole sheet was written in another unit.

An example that fails
---------------------
| plant | visit | height_cm |
|-------|-------|-----------|
| 82    | 2003  | 31        |
| 82    | 2004  | 330       |
| 82    | 2005  | 34        |

The better form
---------------
Compare the sheet and correct the value; for a whole sheet, set the unit in the mapping and import the file again.

How it is judged
----------------
A value v with neighbours a (before) and b (after) that agree within a factor of 1.5 is named when v / sqrt(a b) lies
within a factor of 1.35 of 10, 100, 1/10 or 1/100. At the first and last visit the two nearest values take the
neighbours' part, but a fall to a tenth is taken for dieback there. A place and round is named when the median of its
plants' v / before lies so, with at least 5 plants.

What it does not see
--------------------
A plant with fewer than three values, unless its whole place jumps; other factors (inches, feet); shoots and counts.

Source
------
Common practice, no source; the factors are our own.
"""

from math import log

import polars as pl

from domatia.checks.effort import occasion
from domatia.checks.gather import Row, grouped, number, wheres
from domatia.checks.naming import labelled, place_names
from domatia.checks.steps import SIZES, measured, steps
from domatia.checks.written import at, listing, written
from domatia.model import Check, Finding, StudyData

_AGREE = log(1.5)
_NEAR = log(1.35)
_FEWEST_PLANTS = 5


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find single values and whole sheets that stand ten or a hundred times off."""
    found: list[Finding] = []
    for measure in measured(data):
        seen = steps(data, measure)
        sheets = _sheets(seen, data)
        found += [_sheet(rows, measure) for rows in grouped(sheets, "place", "occasion")]
        jumps = _jumps(seen, measure).with_columns(occasion())
        single = jumps.join(sheets.select("place", "occasion").unique(), on=["place", "occasion"], how="anti")
        found += [_single(rows, measure) for rows in grouped(labelled(single, data), "plant")]
    return tuple(found)


def _power(log_ratio: pl.Expr) -> pl.Expr:
    """Give 10, 100, 0.1 or 0.01 where the ratio lies near it, else null."""
    chosen: pl.Expr = pl.lit(None, dtype=pl.Float64)
    for power in (10.0, 100.0, 0.1, 0.01):
        chosen = pl.when((log_ratio - log(power)).abs() <= _NEAR).then(pl.lit(power)).otherwise(chosen)
    return chosen


def _jumps(seen: pl.DataFrame, measure: str) -> pl.DataFrame:
    value = pl.col(measure).cast(pl.Float64)
    two_on = pl.when(pl.col("after").is_not_null()).then(pl.col("after").shift(-1))
    two_back = pl.when(pl.col("before").is_not_null()).then(pl.col("before").shift(1))
    left = pl.when(pl.col("before").is_null()).then(two_on).otherwise(pl.col("before"))
    right = pl.when(pl.col("after").is_null()).then(two_back).otherwise(pl.col("after"))
    agree = (pl.col("_left") / pl.col("_right")).log().abs() <= _AGREE
    middle = (pl.col("_left") * pl.col("_right")).sqrt()
    dieback = (pl.col("before").is_null() & (pl.col("power") == 10)) | (
        pl.col("after").is_null() & (pl.col("power") == 0.1)
    )
    return (
        seen.with_columns(left.alias("_left"), right.alias("_right"))
        .with_columns(middle.alias("neighbours"))
        .with_columns(_power((value / pl.col("neighbours")).log()).alias("power"))
        .filter(agree & pl.col("power").is_not_null() & ~dieback)
    )


def _sheets(seen: pl.DataFrame, data: StudyData) -> pl.DataFrame:
    median = pl.col("log_step").median().over("place", "occasion")
    return (
        seen.filter(pl.col("log_step").is_not_null() & pl.col("place").is_not_null())
        .with_columns(occasion())
        .filter(pl.col("occasion").is_not_null() & (pl.len().over("place", "occasion") >= _FEWEST_PLANTS))
        .with_columns(_power(median).alias("power"))
        .filter(pl.col("power").is_not_null())
        .join(place_names(data), on="place", how="left")
        .with_columns(pl.concat_str([pl.col("place_name"), pl.lit(", "), written("when")]).alias("label"))
    )


def _times(power: float) -> str:
    return f"{power:.0f} times" if power > 1 else f"one {'tenth' if power == 0.1 else 'hundredth'} of"


def _single(rows: list[Row], measure: str) -> Finding:
    unit = SIZES[measure]
    told = [
        f"{number(r[measure])} {unit} {at(r['written'])}, about {_times(r['power'])} "
        f"its neighbours ({number(round(r['neighbours'], 1))} {unit})"
        for r in rows
    ]
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "visit", measure),
        found=f"{listing(told)}.",
        expected="A value near those of the visits before and after it.",
        remedy="Compare the sheet: a decimal sign may be lost, or the unit is another. Correct the value.",
        subjects=(rows[0]["plant"],),
        values=(measure, *told),
    )


def _sheet(rows: list[Row], measure: str) -> Finding:
    power = rows[0]["power"]
    return Finding(
        code=CHECK.code,
        severity="error",
        where=wheres(rows, "visit", measure),
        found=f"The {measure} of {len(rows)} plants is about {_times(power)} that of the visit before.",
        expected=f"Values in {SIZES[measure]} throughout.",
        remedy="Set the unit of this sheet in the mapping and import the file again.",
        subjects=(rows[0]["place"],),
        values=(measure, rows[0]["label"], _times(power), str(len(rows))),
    )


CHECK = Check(
    code="unit_jump",
    title="A value jumps by 10 or 100 times and back",
    severity="error",
    kinds=("visit", "plant"),
    run=run,
)
