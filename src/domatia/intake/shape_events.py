"""Things that happen once: visits, occupancies, leaf scores, counts, trials, interventions, tag changes."""

import polars as pl

from domatia.intake.convert_quantities import keep_rows
from domatia.intake.mapping import Source
from domatia.intake.records import Building, add_table, counted_kinds, finish, key_series, row_frame
from domatia.intake.rounding import with_finest
from domatia.intake.shape_entities import tell_twice
from domatia.intake.shape_keys import content_text, key_ids
from domatia.intake.shape_merge import Rule, merged, numbered
from domatia.intake.shapes import PRIMARY
from domatia.model import Finding, Where, fields_of

MOST_LISTED = 1000


def build_event(building: Building, kind: str) -> None:
    """Build the records of one kind of event and remember which row speaks of which."""
    frame = row_frame(building, kind).with_columns(key_series(building, kind).alias("key"))
    present = _present(building, kind)
    whole = present & _has_needed(building, kind, frame)
    lost = present & ~whole
    if lost.any():
        _tell_lost(building, kind, frame, lost)
        keep_rows(building, kind, lost)
    own = [c for f in fields_of(kind) for c in f.stored_columns if c in frame.columns]
    if building.mapping.table.row == "pair of years" and kind == "visit":
        frame = with_finest(building, kind, frame, own)
    frame = frame.with_columns(content_text(kind, own).alias("@content"))
    kept = frame.filter(whole)
    kept = _told_apart(building, kind, kept, own)
    kept = kept.with_columns(key_ids(building.study_id, kind, kept["key"]).alias("@id"))
    ids = frame.select("@i").join(kept.select("@i", "key", "@id"), on="@i", how="left", maintain_order="left")
    building.keys[kind] = ids["key"]
    building.ids[kind] = ids["@id"]
    if kind in counted_kinds(building.mapping):
        add_table(building, kind, finish(building, kind, kept))
        return
    rules = {
        f.column: Rule(f.stored_columns, Source().if_varies) for f in fields_of(kind) if f.stored_columns[0] in own
    }
    one, _ = merged(kept, rules, {})
    hashes = kept.sort("@file", "@sheet", "@row").unique("key", keep="first").select("key", "@hash", "@id")
    add_table(building, kind, finish(building, kind, one.join(hashes, on="key", how="left")))


def _present(building: Building, kind: str) -> pl.Series:
    """Tell which rows speak of such an event at all."""
    shape, grouped = building.mapping.table.row, building.grouped
    always = pl.Series([True], dtype=pl.Boolean).new_from_index(0, building.height)
    if kind == PRIMARY[shape] and shape != "pair of years":
        return always
    own = building.converted.get(kind, {})
    said = ~always
    for name, done in own.items():
        if done.constant or name == "when" or (grouped and not done.varying):
            continue
        said = said | done.said
    if kind == "visit":
        status = own.get("status")
        if status is not None:
            said = said | status.values["status"].is_not_null()
        for other, fields in building.converted.items():
            linked = any(f.type == "link" and f.target == "visit" for f in fields_of(other)) and other != "visit"
            for done in fields.values() if linked else ():
                said = said | (done.said & (done.varying or not grouped))
    return said


def _has_needed(building: Building, kind: str, frame: pl.DataFrame) -> pl.Series:
    whole = frame["key"].is_not_null()
    for f in fields_of(kind):
        if f.needed:
            column = f.stored_columns[0]
            there = (
                frame[column].is_not_null()
                if column in frame.columns
                else pl.Series([False]).new_from_index(0, frame.height)
            )
            whole = whole & there
    return whole


def _missing(kind: str, frame: pl.DataFrame) -> pl.Series:
    names = [f for f in fields_of(kind) if f.needed]
    told = [
        pl.when(pl.col(f.stored_columns[0]).is_null() if f.stored_columns[0] in frame.columns else pl.lit(True)).then(
            pl.lit(f.column)
        )
        for f in names
    ]
    return frame.select("@i", pl.concat_str(told, separator=", ", ignore_nulls=True).alias("m"))["m"]


def _tell_lost(building: Building, kind: str, frame: pl.DataFrame, lost: pl.Series) -> None:
    rows = frame.select("@file", "@sheet", "@row").with_columns(_missing(kind, frame).alias("m")).filter(lost)
    rows = rows.unique(maintain_order=True)
    for file, sheet, row, missing in rows.head(MOST_LISTED).iter_rows():
        building.findings.append(
            Finding(
                "needed_missing",
                "error",
                (Where(file=file, sheet=sheet, row=row, kind=kind),),
                f"The row gives no {missing or 'key'} for its {kind}.",
                f"a {kind} with {missing or 'a key'}.",
                "Its cells are kept as quantities, as written; mend the row and bring the file in again.",
                values=(kind, missing or "key"),
            )
        )
    if rows.height > MOST_LISTED:
        more = f"{rows.height - MOST_LISTED:,} more rows lack what their {kind} needs and are not listed one by one."
        place = (Where(file=building.file, kind=kind),)
        building.findings.append(
            Finding(
                "needed_missing",
                "error",
                place,
                more,
                f"a whole {kind}.",
                "Look at the mapping.",
                values=(str(rows.height),),
            )
        )


def _with_cells(building: Building, kept: pl.DataFrame) -> pl.DataFrame:
    """Add the row's cells to the content of rows with the same key, so that no tie is broken by where a row stands."""
    twice = kept.filter(kept["key"].is_duplicated()).select("@i")
    if not twice.height:
        return kept
    cells = [pl.col(c).fill_null("").str.strip_chars() for c in building.rows.frame.columns if not c.startswith("@")]
    written = building.rows.frame.join(twice, on="@i", how="semi").select(
        "@i", pl.concat_str(cells, separator="\x1f").alias("@cells")
    )
    told = kept.join(written, on="@i", how="left", maintain_order="left")
    return told.with_columns(pl.col("@content") + "\x1d" + pl.col("@cells").fill_null("")).drop("@cells")


def _told_apart(building: Building, kind: str, kept: pl.DataFrame, own: list[str]) -> pl.DataFrame:
    """Give rows of one key that contradict each other keys of their own."""
    if kind in counted_kinds(building.mapping):
        told = numbered(_with_cells(building, kept), "@content", together=False)
        tell_twice(building, kind, told)
        return told
    several = kept.filter(pl.len().over("key") > 1)
    clash = several.group_by("key").agg(pl.any_horizontal(pl.col(own).drop_nulls().n_unique() > 1).alias("c"))
    clashing = clash.filter("c")["key"]
    if not clashing.len():
        return kept
    apart = kept.filter(pl.col("key").is_in(clashing.implode()))
    told = numbered(apart, "@content", together=True)
    tell_twice(building, kind, told)
    return pl.concat([kept.filter(~pl.col("key").is_in(clashing.implode())), told.select(kept.columns)]).sort("@i")
