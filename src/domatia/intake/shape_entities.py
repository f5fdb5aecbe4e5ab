"""Things of which several rows may speak: places, plants, tags, taxa, rounds and the like."""

from collections.abc import Mapping

import polars as pl

from domatia.intake.convert import Converted
from domatia.intake.convert_quantities import keep_texts
from domatia.intake.key_words import key_words
from domatia.intake.mapping import Source
from domatia.intake.records import (
    NAMED,
    Building,
    add_table,
    counted_kinds,
    finish,
    key_series,
    row_frame,
)
from domatia.intake.shape_keys import content_hashes, key_ids
from domatia.intake.shape_merge import Rule, Varying, merged, numbered
from domatia.intake.shapes import PRIMARY
from domatia.model import Finding, Where, WrongUse, fields_of

MOST_LISTED = 1000
_PLACES_SHOWN = 20


def build_entity(building: Building, kind: str) -> None:
    """Build the records of one kind of thing and remember which row speaks of which."""
    building.keys[kind] = key_series(building, kind)
    if kind in counted_kinds(building.mapping) and kind == PRIMARY[building.mapping.table.row]:
        building.keys[kind] = _by_table_row(building, kind)
    building.ids[kind] = key_ids(building.study_id, kind, building.keys[kind])
    frame = row_frame(building, kind).with_columns(building.keys[kind].alias("key"), _row_day(building).alias("@when"))
    said = frame.filter(pl.col("key").is_not_null())
    rules = {
        f.column: _rule(building, kind, f.column, f.stored_columns)
        for f in fields_of(kind)
        if f.stored_columns[0] in frame.columns
    }
    if rules:
        texts = {n: d.text.filter(frame["key"].is_not_null()) for n, d in building.converted.get(kind, {}).items()}
        whole, varying = merged(said, rules, texts)
        _tell_varying(building, kind, varying)
    else:
        whole = said.unique("key", keep="first", maintain_order=True).select("key", "@file", "@sheet", "@row")
    if kind == "taxon":
        whole = _with_spellings(building, whole)
    whole = _complete(building, kind, whole)
    add_table(building, kind, finish(building, kind, whole))


def _rule(building: Building, kind: str, name: str, stored: tuple[str, ...]) -> Rule:
    source = building.part(kind).fields.get(name, Source())
    dated = any(d.field.type in ("date", "instant") for c in building.converted.values() for d in c.values())
    if source.if_varies in ("first", "last") and not dated:
        raise WrongUse(
            f'{kind}.{name} has if_varies = "{source.if_varies}", but no row has a date',
            "any, refuse, or a date in [visit] when",
        )
    order: tuple[object, ...] = tuple(dict.fromkeys(v for v in source.words.values() if v))
    done = building.converted.get(kind, {}).get(name)
    if done is not None and done.field.type == "yes_no":
        order = (True, False)
    return Rule(stored, source.if_varies, order)


def _row_day(building: Building) -> pl.Series:
    for kind in ("visit", "place_visit", "round", *building.converted):
        for name, done in building.converted.get(kind, {}).items():
            if done.field.type in ("date", "instant") and (name in ("when", "window") or done.varying):
                return done.values[done.values.columns[0]]
    for kind, fields in building.converted.items():
        dates = [d for d in fields.values() if d.field.type in ("date", "instant")]
        if dates and kind:
            return dates[0].values[dates[0].values.columns[0]]
    return pl.Series([None], dtype=pl.Date).new_from_index(0, building.height)


def _by_table_row(building: Building, kind: str) -> pl.Series:
    """Keep rows of the table apart that bear the same key: two plants may have been given one number."""
    frame = building.rows.frame.select("@i", "@file", "@sheet", "@row", "@at", "@content").with_columns(
        building.keys[kind].alias("key")
    )
    rows = frame.filter(pl.col("@at") == 0)
    blank = rows.filter(pl.col("key").is_null())
    if blank.height and kind == "plant":
        made = "?" + content_hashes(rows["@content"]).bin.encode("hex").str.slice(0, 12)
        rows = rows.with_columns(pl.coalesce("key", made).alias("key"))
        _tell_no_key(building, kind, blank)
    rows = numbered(rows, "@content", together=False)
    tell_twice(building, kind, rows)
    origin = ["@file", "@sheet", "@row"]
    return frame.drop("key").join(rows.select(*origin, "key"), on=origin, how="left", maintain_order="left")["key"]


def _tell_no_key(building: Building, kind: str, rows: pl.DataFrame) -> None:
    for file, sheet, row in rows.select("@file", "@sheet", "@row").head(MOST_LISTED).iter_rows():
        building.findings.append(
            Finding(
                "key_missing",
                "warning",
                (Where(file=file, sheet=sheet, row=row, column=", ".join(building.part(kind).key)),),
                f"A part of what names the {kind} is blank.",
                f"a value in {', '.join(building.part(kind).key)}.",
                f"The row comes in as a {kind} of its own; fill the cell if it is known.",
            )
        )


def tell_twice(building: Building, kind: str, rows: pl.DataFrame) -> None:
    """Tell of keys that stand in several rows; `rows` has `@twice`, `key` and the origin columns."""
    twice = rows.filter(pl.col("@twice"))
    if not twice.height:
        return
    base = pl.col("key").str.replace(r"#\d+$", "").alias("base")
    groups = (
        twice.sort("@file", "@sheet", "@row")
        .group_by(base, maintain_order=True)
        .agg(pl.struct("@file", "@sheet", "@row").head(_PLACES_SHOWN).alias("at"), pl.len().alias("n"))
    )
    for key, at, n in groups.head(MOST_LISTED).iter_rows():
        label = key_words(building, kind, key)
        places = tuple(Where(file=a["@file"], sheet=a["@sheet"], row=a["@row"], kind=kind, label=label) for a in at)
        rows_told = ", ".join(str(a["@row"]) for a in at) + (" and more" if n > len(places) else "")
        building.findings.append(
            Finding(
                "duplicate_key",
                "warning",
                places,
                f"{n} rows speak of one {kind.replace('_', ' ')} ({label}): rows {rows_told}.",
                f"one row for each {kind}.",
                "All are kept, told apart by a number; mend the key in the table, or say which one holds.",
                values=(key, str(n)),
            )
        )
    if groups.height > MOST_LISTED:
        more = f"{groups.height - MOST_LISTED:,} more keys stand in several rows and are not listed one by one."
        building.findings.append(
            Finding(
                "duplicate_key",
                "warning",
                (Where(file=building.file, kind=kind),),
                more,
                f"one row for each {kind}.",
                "Look at the key in the mapping.",
                values=(str(groups.height),),
            )
        )


def _tell_varying(building: Building, kind: str, varying: tuple[Varying, ...]) -> None:
    for one in varying[:MOST_LISTED]:
        label = key_words(building, kind, one.key)
        building.findings.append(
            Finding(
                "varies_within_key",
                "warning",
                (
                    Where(
                        file=one.file,
                        sheet=one.sheet,
                        row=one.row,
                        column=one.field,
                        kind=kind,
                        label=label,
                    ),
                ),
                f"The rows of {label} differ: {', '.join(repr(t) for t in one.texts[:6])}.",
                f"one {one.field} for each {kind}.",
                f"The field stays empty. Mend the table, or give {kind}.{one.field} an if_varies.",
                values=(one.key, one.field, *one.texts[:_PLACES_SHOWN]),
            )
        )
    if varying:
        rows = [(v.key, v.field, t, v.file, v.sheet, v.row) for v in varying for t in v.texts]
        schema = {
            "key": pl.String,
            "field": pl.String,
            "text": pl.String,
            "@file": pl.String,
            "@sheet": pl.String,
            "@row": pl.Int64,
        }
        frame = pl.DataFrame(rows, schema=schema, orient="row")
        frame = frame.with_columns(key_ids(building.study_id, kind, frame["key"]).alias("of"))
        keep_texts(building, frame.with_columns((pl.col("field") + " as written").alias("name")))


def _complete(building: Building, kind: str, whole: pl.DataFrame) -> pl.DataFrame:
    """Leave out things without what they need; their cells are kept as quantities by the caller's bad cells."""
    for f in fields_of(kind):
        if not f.needed or f.type == "link":
            continue
        column = f.stored_columns[0]
        if column not in whole.columns and kind in NAMED and column == NAMED[kind]:
            whole = whole.with_columns(pl.col("key").alias(column))
        if column in whole.columns:
            whole = whole.filter(pl.col(column).is_not_null())
    return whole


def _with_spellings(building: Building, whole: pl.DataFrame) -> pl.DataFrame:
    names = building.mapping.names.get("taxon", {})
    done: Converted | None = building.converted.get("taxon", {}).get("name")
    if done is None or "written_as" in whole.columns:
        return whole
    met = set(done.text.drop_nulls().unique().to_list())
    return whole.with_columns(spellings(whole["name"], names, met))


def spellings(accepted: pl.Series, names: Mapping[str, str], met: set[str]) -> pl.Series:
    """Give, for each accepted name, the other spellings that were met, separated by `|`."""
    found = []
    for name in accepted.to_list():
        other = sorted(w for w, a in names.items() if a == name and w != name and w in met)
        found.append(" | ".join(other) or None)
    return pl.Series("written_as", found, dtype=pl.String)


def build_implied(building: Building) -> None:
    """Add a record with nothing but its name for each thing that a link names and no row describes.

    A thing that needs more than a name, or is known by a key, is not made up: that it is unknown is told.
    """
    for kind, frames in sorted(building.implied.items()):
        names = pl.concat(frames).sort("@file", "@sheet", "@row").unique("key", keep="first", maintain_order=True)
        table = building.tables.get(kind)
        if table is not None:
            names = names.filter(~pl.col("id").is_in(table["subject_id"].implode()))
        if [f.column for f in fields_of(kind) if f.needed] == [NAMED.get(kind, "")]:
            if names.height:
                whole = names.select("key", "@file", "@sheet", "@row", pl.col("name").alias(NAMED[kind]))
                add_table(building, kind, finish(building, kind, whole))
            continue
        if building.known is not None:
            names = names.filter(~pl.col("id").is_in(building.known.table(kind)["subject_id"].implode()))
        _tell_unknown_links(building, kind, names)


def _tell_unknown_links(building: Building, kind: str, names: pl.DataFrame) -> None:
    for file, sheet, row, column, key in (
        names.select("@file", "@sheet", "@row", "column", "key").head(MOST_LISTED).rows()
    ):
        building.findings.append(
            Finding(
                "link_unknown",
                "warning",
                (Where(file=file, sheet=sheet, row=row, column=column, kind=kind),),
                f"The row names the {kind} {key}, which neither this file nor the study describes.",
                f"a {kind} that is known.",
                f"Bring in the table that describes it, or mend the name ([names.{kind}] in the mapping).",
                values=(kind, key),
            )
        )
