"""One visit written down twice, once more coarsely: two values that agree within what was written are one.

In a table of pairs (t, t+1) a year stands in two rows, as the end of one pair and the start of the next. A number that
was rounded in one of them is no second measurement. A value written with d decimals stands for everything within half
a unit of its last decimal; two values are one if each coarser one holds the finest. The finest is kept.
"""

from collections.abc import Sequence

import polars as pl

from domatia.intake.convert import Converted
from domatia.intake.convert_units import factor
from domatia.intake.records import Building
from domatia.model import Finding, Where

_PLACES_SHOWN = 20
_SLACK = 1e-9  # of floating-point arithmetic, relative to the value


def _half_unit(building: Building, kind: str, name: str, done: Converted) -> pl.Series:
    """Give half a unit of the last decimal written, in the field's own unit; 0 for powers of ten."""
    decimal = building.mapping.table.decimal
    scale = factor(building.part(kind).fields[name].unit, done.field.unit)
    text = pl.col("t").str.strip_chars()
    decimals = text.str.split(decimal).list.get(1, null_on_oob=True).str.len_chars().fill_null(0)
    half = (
        pl.when(text.str.contains("[eE]")).then(0.0).otherwise(0.5 * scale * pl.lit(10.0).pow(-decimals.cast(pl.Int64)))
    )
    return pl.DataFrame({"t": done.text}).select(half.alias("h"))["h"]


def with_finest(building: Building, kind: str, frame: pl.DataFrame, own: Sequence[str]) -> pl.DataFrame:
    """Give rows that speak of one thing, and differ only by rounding, the finest value; tell how many there were.

    Parameters
    ----------
    building : Building
    kind : str
    frame : polars.DataFrame
        `@i`, `key`, the origin columns and those of `own`.
    own : sequence of str
        Stored columns of the kind.

    Returns
    -------
    polars.DataFrame
        The same rows. Rows of a thing whose other values contradict each other stay as they were written.
    """
    numbers = {
        n: d for n, d in building.converted[kind].items() if d.field.type == "number" and not d.constant and n in own
    }
    several = frame.filter(pl.col("key").is_not_null() & (pl.len().over("key") > 1))
    if not numbers or not several.height:
        return frame
    finest = several
    for name, done in numbers.items():
        half = _half_unit(building, kind, name, done).gather(several["@i"])
        work = several.select("key", name, pl.when(pl.col(name).is_not_null()).then(pl.lit(half)).alias("half"))
        best = pl.col(name).sort_by("half", name, nulls_last=True).first().over("key")
        reach = pl.col("half") * (1 + _SLACK) + best.abs() * _SLACK
        alike = ((pl.col(name) - best).abs() <= reach).fill_null(True).all().over("key")
        told = work.select(pl.when(alike & pl.col(name).is_not_null()).then(best).otherwise(name).alias(name))
        finest = finest.with_columns(told[name])
    clashing = pl.any_horizontal(pl.col(c).drop_nulls().n_unique().over("key") > 1 for c in own)
    finest = finest.filter(~clashing).select("@i", *numbers)
    both = several.join(finest, on="@i", suffix=" finest", maintain_order="left")
    for name in numbers:
        _tell(building, kind, name, both)
    done_ = frame.join(finest, on="@i", how="left", suffix=" finest", maintain_order="left")
    return done_.with_columns(pl.coalesce(f"{n} finest", n).alias(n) for n in numbers).select(frame.columns)


def _tell(building: Building, kind: str, name: str, both: pl.DataFrame) -> None:
    coarse = both.filter(pl.col(name) != pl.col(f"{name} finest"))
    if not coarse.height:
        return
    first = coarse.sort("@file", "@sheet", "@row").head(_PLACES_SHOWN)
    places = tuple(
        Where(file=file, sheet=sheet, row=row, column=name, kind=kind)
        for file, sheet, row in first.select("@file", "@sheet", "@row").iter_rows()
    )
    written, kept = first.select(name, f"{name} finest").row(0)
    count = coarse["key"].n_unique()
    building.findings.append(
        Finding(
            "rounded_alike",
            "note",
            places,
            f"Of {count:,} {kind}{'' if count == 1 else 's'} written twice, {name} differs by rounding only "
            f"(for example {written:g} and {kept:g}); they are one {kind}.",
            f"the same {name} in both rows.",
            "The more precise value is kept; nothing need be done.",
            values=(name, str(count)),
        )
    )
