"""What fits no field comes in as a quantity: columns of the study's own, and cells that could not be converted."""

import polars as pl

from domatia.intake.codes import blanks, without_blanks
from domatia.intake.convert import plain_number
from domatia.intake.mapping import Quantity
from domatia.intake.records import Building, add_table, finish
from domatia.intake.shape_keys import content_hashes, content_text
from domatia.intake.shape_merge import numbered
from domatia.intake.shapes import PRIMARY, repeated

_SCHEMA = {
    "of": pl.Binary, "name": pl.String, "text": pl.String, "number": pl.Float64, "unit": pl.String,
    "when_earliest": pl.Date, "when_latest": pl.Date, "when_instant": pl.String, "row": pl.String,
    "@file": pl.String, "@sheet": pl.String, "@row": pl.Int64,
}  # fmt: skip
_OF_ROWS_DATE = ("visit", "plant", "tag")


def keep_texts(building: Building, frame: pl.DataFrame) -> None:
    """Keep texts as quantities: `of`, `name`, `text` and origin; other columns as far as they are there."""
    given = [(pl.col(c) if c in frame.columns else pl.lit(None)).cast(t).alias(c) for c, t in _SCHEMA.items()]
    if frame.height:
        building.quantities.append(frame.select(given))


def keep_bad_cells(building: Building, kind: str) -> None:
    """Keep every cell of a kind that could not be converted, as it was written."""
    for name, done in building.converted.get(kind, {}).items():
        if not done.bad.any():
            continue
        dates = _date_columns(building, kind) if done.varying or not building.grouped else []
        frame = building.rows.frame.select("@file", "@sheet", "@row").with_columns(
            _subject(building, kind).alias("of"),
            pl.lit(f"{name} as written").alias("name"),
            done.text.alias("text"),
            *dates,
        )
        keep_texts(building, frame.filter(done.bad).unique(maintain_order=True))


def keep_rows(building: Building, kind: str, lost: pl.Series) -> None:
    """Keep the cells of rows whose record of a kind cannot stand, since it lacks what it needs."""
    where = building.rows.frame.select("@file", "@sheet", "@row").with_columns(
        _subject(building, "plant").alias("of"), _row_names(building).alias("row")
    )
    for name, done in building.converted.get(kind, {}).items():
        if done.constant:
            continue
        frame = where.with_columns(pl.lit(f"{kind} {name} as written").alias("name"), done.text.alias("text"))
        keep_texts(building, frame.filter(lost & done.said & ~done.bad))


def _subject(building: Building, kind: str) -> pl.Series:
    none = pl.Series([None], dtype=pl.Binary).new_from_index(0, building.height)
    found = none
    for candidate in dict.fromkeys((kind, "visit", "plant", "place")):
        if candidate in building.ids:
            found = pl.DataFrame({"a": found, "b": building.ids[candidate]}).select(pl.coalesce("a", "b"))["a"]
    return found


def _date_columns(building: Building, kind: str) -> list[pl.Series]:
    when = building.converted.get("visit", {}).get("when")
    if when is None or kind not in _OF_ROWS_DATE or building.mapping.table.row == "plant":
        return []
    return [when.values[c] for c in when.values.columns]


def _row_names(building: Building) -> pl.Series:
    """Name rows by what stands in them, so that the quantities of one row stay together wherever it stands."""
    frame = building.rows.frame.select("@i", "@hash").with_columns(
        pl.col("@hash").bin.encode("hex").str.slice(0, 12).alias("key"), pl.lit("").alias("same")
    )
    return numbered(frame, "same", together=False)["key"]


def keep_columns(building: Building) -> None:
    """Keep the columns that the mapping gives as quantities, and those that it does not name."""
    named = _content_names(building) if not PRIMARY[building.mapping.table.row] else None
    for quantity in building.rows.quantities:
        _keep_column(building, quantity, named)


def _content_names(building: Building) -> pl.Series:
    frame = building.rows.frame.select("@content").with_columns(
        pl.col("@content").alias("key"), pl.lit("").alias("same")
    )
    # The content itself would be a long name; equal rows are told apart by the counter at its end.
    told = numbered(frame, "same", together=False)["key"]
    number = told.str.extract(r"#(\d+)$").fill_null("1")
    short = content_hashes(frame["@content"]).bin.encode("hex").str.slice(0, 12)
    return short + "-" + number


def _keep_column(building: Building, quantity: Quantity, named: pl.Series | None) -> None:
    mapping, rows = building.mapping, building.rows
    nothing = blanks(mapping.table.blank, quantity.codes)
    cell = without_blanks(pl.col(quantity.column), nothing)
    of = quantity.of
    frame = rows.frame.select("@file", "@sheet", "@row", "@at", cell.alias("text")).with_columns(
        plain_number(pl.col("text"), mapping).cast(pl.Float64).alias("number"),
        pl.lit(quantity.name or quantity.column.replace("{group}", "").strip("_ .")).alias("name"),
        pl.lit(quantity.unit or None, dtype=pl.String).alias("unit"),
    )
    frame = frame.with_columns(pl.when(pl.col("number").is_finite()).then("number").alias("number"))
    if of in building.ids:
        frame = frame.with_columns(building.ids[of].alias("of"))
    elif of or "plant" in building.ids:
        frame = frame.with_columns(_subject(building, of or "plant").alias("of"))
    if named is not None:
        frame = frame.with_columns(named.alias("row"))
    per_row = building.grouped and not repeated(quantity.column)
    if of in _OF_ROWS_DATE and not (per_row and of == "plant"):
        frame = frame.with_columns(*_date_columns(building, of))
    frame = frame.filter(pl.col("text").is_not_null())
    if per_row:
        frame = frame.filter(pl.col("@at") == 0)
    keep_texts(building, frame)


def build_quantities(building: Building) -> None:
    """Turn everything kept so far into records."""
    if not building.quantities:
        return
    frame = pl.concat(building.quantities)
    building.quantities.clear()
    own = [c for c in _SCHEMA if not c.startswith("@")]
    frame = frame.sort("@file", "@sheet", "@row").unique(own, keep="first", maintain_order=True)
    when = pl.coalesce(
        "when_instant", pl.col("when_earliest").cast(pl.String) + "/" + pl.col("when_latest").cast(pl.String)
    )
    parts = [pl.col("of").bin.encode("hex"), pl.col("name"), when, pl.col("row")]
    key = pl.concat_str([p.fill_null("") for p in parts], separator="|")
    frame = frame.with_columns(key.alias("key"), content_text("quantity", own).alias("@content"))
    frame = numbered(frame, "@content", together=False)
    add_table(building, "quantity", finish(building, "quantity", frame))
