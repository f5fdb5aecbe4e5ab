"""A published effect cannot be pooled as it stands.

What is wrong
-------------
A row of the table of published effects gives no effect with an error above zero: no standard error, interval or numbers
to work it out from, an interval whose ends are exchanged or do not hold the effect, a ratio of means of which one is
not above zero, or more events than plants.

An example that fails
---------------------
| study       | measure            | mean_treated | mean_other |
|-------------|--------------------|--------------|------------|
| Borlace 1998 | log response ratio | 3.1          | 0          |

The better form
---------------
Look the numbers up in the source. Where a mean is truly zero no ratio exists: give the difference instead, or leave the
effect out and say so. An error is never guessed.

What it does not see
--------------------
Numbers copied wrongly that still fit together; effects printed the other way round than `treated` says.

Source
------
Hedges, Gurevitch & Curtis 1999, Ecology 80:1150-1156 (what a log response ratio needs). The rest is common practice, no
source.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.model import Check, Finding, StudyData

_NUMBERS = "give the standard error, the 95 % interval, or the means, deviations and numbers."
_REASONS = (
    ("interval", "its interval does not hold the effect, or its ends are exchanged"),
    ("events", "it has more events than plants"),
    ("mean", "a mean is not above 0, so that there is no ratio of means"),
    ("none", "nothing gives it an error above 0"),
)


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find published effects that cannot be pooled."""
    table = data.table("published_effect")
    if not table.height:
        return ()
    ratio = pl.col("measure") == "log response ratio"
    odds = pl.col("measure").is_in(["log odds ratio", "log risk ratio"])
    means = (
        pl.all_horizontal(pl.col("mean_treated", "mean_other").is_not_null())
        & (pl.col("n_treated") > 0)
        & (pl.col("n_other") > 0)
        & (pl.col("sd_treated").fill_null(0) + pl.col("sd_other").fill_null(0) > 0)
    )
    events = pl.all_horizontal(pl.col("events_treated", "events_other", "n_treated", "n_other").is_not_null())
    printed = pl.col("estimate").is_not_null() & (
        (pl.col("standard_error") > 0) | (pl.col("high") > pl.col("low"))
    ).fill_null(False)
    judged = table.with_columns(
        interval=((pl.col("low") > pl.col("estimate")) | (pl.col("high") < pl.col("estimate"))).fill_null(False),
        events=odds & ((pl.col("events_treated") > pl.col("n_treated")) | (pl.col("events_other") > pl.col("n_other"))),
        mean=ratio & ~printed & pl.any_horizontal(pl.col("mean_treated", "mean_other") <= 0),
        none=~(printed | (means & ~odds).fill_null(False) | (odds & events).fill_null(False)),
    )
    why = pl.coalesce([pl.when(pl.col(name).fill_null(False)).then(pl.lit(name)) for name, _ in _REASONS])
    bad = judged.with_columns(why=why, label=pl.concat_str("study", pl.lit(", "), "outcome")).filter(
        pl.col("why").is_not_null()
    )
    return tuple(_finding(rows) for rows in grouped(bad, "subject_id"))


def _finding(rows: list[Row]) -> Finding:
    first = rows[0]
    return Finding(
        code=CHECK.code,
        severity="error",
        where=wheres(rows, "published_effect", "estimate"),
        found=f"The effect cannot be pooled: {dict(_REASONS)[first['why']]}.",
        expected="A published effect with an error above 0, or the numbers that give one.",
        remedy=f"Look at the source again and {_NUMBERS}",
        subjects=(first["subject_id"],),
        values=(first["why"], *(str(first[c]) for c in ("estimate", "standard_error", "mean_treated", "mean_other"))),
    )


CHECK = Check(
    code="effect_unusable",
    title="A published effect cannot be pooled as it stands",
    severity="error",
    kinds=("published_effect",),
    run=run,
)
