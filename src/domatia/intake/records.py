"""Build the records of each kind from rows of text: keys, links, merging, and what could not be kept in a field."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import polars as pl

from domatia.intake.codes import STATUS_OF_CODE, blanks, without_blanks
from domatia.intake.convert import Converted, convert
from domatia.intake.mapping import Part, TableMapping
from domatia.intake.shape_keys import content_hashes, content_text, id_series, joined_key, key_ids
from domatia.intake.shapes import PRIMARY, Rows
from domatia.model import Field, Finding, StudyData, WrongUse, as_table, fields_of, kinds

ENTITIES = (
    "study", "person", "permit", "place", "round", "taxon", "treatment", "colony", "plant", "tag", "assignment",
    "taxon_role", "colony_plant",
)  # fmt: skip
"""Kinds of which several rows may speak of one thing."""

NAMED = {"person": "name", "permit": "number", "place": "name", "round": "name", "taxon": "name",
         "treatment": "name", "colony": "name"}  # fmt: skip
"""Kinds that are known by a name, and the field that holds it."""

_KEY_BESIDES = {
    "patrol": ("position", "disturbed"),
    "nectar": ("ants_excluded", "kind"),
    "occupancy": ("taxon",),
    "dissection": ("rank",),
    "published_effect": ("study", "outcome", "measure", "site", "year", "host", "taxon", "treated"),
    "weather": (),
    "tag": ("tag", "former_tag"),
}
_NO_USUAL_LINK = {("assignment", "block"), ("intervention", "place"), ("fight", "colony_a"), ("fight", "colony_b")}


@dataclass
class Building:
    """Everything that is known while records are made from one file.

    Attributes
    ----------
    rows : Rows
    mapping : TableMapping
    study_id : bytes
    file : str
    known : StudyData or None
    converted : dict
        By kind and field.
    keys, ids : dict of str to polars.Series
        By kind: the natural key and the subject id that each row speaks of.
    tables : dict of str to polars.DataFrame
        Finished records.
    quantities : list of polars.DataFrame
        Quantities to be: `of`, `name`, `text`, `number`, `unit`, `when_*`, `row` and origin.
    findings : list of Finding
    implied : dict of str to list of polars.DataFrame
        By kind: names (and keys) that a link speaks of, with origin.
    """

    rows: Rows
    mapping: TableMapping
    study_id: bytes
    file: str
    known: StudyData | None
    converted: dict[str, dict[str, Converted]] = field(default_factory=dict)
    keys: dict[str, pl.Series] = field(default_factory=dict)
    ids: dict[str, pl.Series] = field(default_factory=dict)
    tables: dict[str, pl.DataFrame] = field(default_factory=dict)
    quantities: list[pl.DataFrame] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    implied: dict[str, list[pl.DataFrame]] = field(default_factory=dict)

    @property
    def grouped(self) -> bool:
        """Whether one row of the table makes several rows here."""
        return bool(self.mapping.groups.names)

    @property
    def height(self) -> int:
        """Number of rows."""
        return self.rows.frame.height

    def part(self, kind: str) -> Part:
        """Give what the mapping says of a kind."""
        return self.mapping.parts.get(kind, Part(kind))

    def value(self, kind: str, name: str) -> pl.Series | None:
        """Give a field's first stored column in every row, or None if it is not mapped."""
        found = self.converted.get(kind, {}).get(name)
        return None if found is None else found.values[found.values.columns[0]]


def ordered_kinds(mapping: TableMapping) -> tuple[str, ...]:
    """Give the mapping's kinds so that a thing comes before what links to it."""
    first = [k for k in ENTITIES if k in mapping.parts]
    return (*first, *(k for k in kinds() if k in mapping.parts and k not in first))


def convert_all(building: Building) -> None:
    """Convert every field of every kind; bad cells become findings."""
    for kind in ordered_kinds(building.mapping):
        known = {f.column: f for f in fields_of(kind)}
        building.converted[kind] = {}
        for name, source in building.part(kind).fields.items():
            done, told = convert(building.rows, known[name], source, building.mapping)
            building.converted[kind][name] = done
            building.findings += told
    _speak_of_status(building)
    _speak_of_looking(building)


def _height_like(building: Building, value: object, dtype: pl.DataType) -> pl.Series:
    return pl.Series([value], dtype=dtype).new_from_index(0, building.height)


def _speak_of_status(building: Building) -> None:
    """Let codes in measured columns, and `alive_if`, say what the status column does not say."""
    visit = building.converted.get("visit")
    if visit is None:
        return
    none = _height_like(building, None, pl.String())
    status = visit["status"].values["status"] if "status" in visit else none
    frame = pl.DataFrame({"status": status})
    for name, done in visit.items():
        code = done.code.replace_strict(STATUS_OF_CODE, default=None, return_dtype=pl.String)
        if code.null_count() < building.height:
            frame = frame.with_columns(
                pl.coalesce(pl.lit(code), "status")
                if name == "status"
                else pl.coalesce("status", pl.lit(code)).alias("status")
            )
    source = building.part("visit").fields.get("status")
    if source is not None and source.alive_if:
        nothing = blanks(building.mapping.table.blank, source.codes)
        measured = pl.any_horizontal(without_blanks(pl.col(c), nothing).is_not_null() for c in source.alive_if)
        alive = building.rows.frame.select(measured.alias("m"))["m"]
        bad = visit["status"].bad
        frame = frame.with_columns(
            pl.when(pl.col("status").is_null() & pl.lit(alive) & ~pl.lit(bad))
            .then(pl.lit("alive"))
            .otherwise("status")
            .alias("status")
        )
    if "status" in visit:
        visit["status"] = visit["status"].with_values(frame["status"])
    elif frame["status"].null_count() < building.height:
        known = next(f for f in fields_of("visit") if f.column == "status")
        never = _height_like(building, False, pl.Boolean())
        visit["status"] = Converted(known, frame.select("status"), none, none, never, True, False)


def _speak_of_looking(building: Building) -> None:
    """Work out whether anybody looked for ants from what the occupant's columns say."""
    occupancy = building.converted.get("occupancy")
    if occupancy is None or "looked" in occupancy:
        return
    said = _height_like(building, False, pl.Boolean())
    unlooked = said
    for done in occupancy.values():
        if not done.constant:
            said = said | (done.said & (done.code.fill_null("") != "not looked"))
            unlooked = unlooked | (done.code.fill_null("") == "not looked")
    looked = pl.DataFrame({"s": said, "u": unlooked}).select(
        pl.when("s").then(True).when("u").then(False).alias("looked")
    )
    known = next(f for f in fields_of("occupancy") if f.column == "looked")
    none = _height_like(building, None, pl.String())
    never = _height_like(building, False, pl.Boolean())
    text = looked["looked"].cast(pl.String)
    occupancy["looked"] = Converted(known, looked, text, none, never, False, False)


def key_series(building: Building, kind: str) -> pl.Series:
    """Give the natural key of the thing of one kind that each row speaks of."""
    part = building.part(kind)
    if part.key:
        parts = [_key_part(building, entry) for entry in part.key]
    elif kind in NAMED:
        named = building.value(kind, NAMED[kind])
        if named is None:
            raise WrongUse(f"[{kind}] names no column for {NAMED[kind]}", next_step=f"Give it, or a key, in [{kind}].")
        parts = [named]
    else:
        parts = _usual_key(building, kind)
    key = joined_key(parts)
    if kind == "plant" and len(parts) > 1:
        whole = pl.DataFrame(dict(enumerate_text(parts))).select(pl.all_horizontal(pl.all().is_not_null()).alias("w"))[
            "w"
        ]
        key = pl.DataFrame({"k": key}).select(pl.when(pl.lit(whole)).then("k").alias("k"))["k"]
    return key


def enumerate_text(parts: Sequence[pl.Series]) -> list[tuple[str, pl.Series]]:
    """Name the parts of a key for a frame."""
    return [(str(n), p) for n, p in enumerate(parts)]


def _key_part(building: Building, entry: str) -> pl.Series:
    kind, _, name = entry.partition(".")
    if kind in building.converted and name in building.converted[kind]:
        return _texts(building.converted[kind][name])
    nothing = blanks(building.mapping.table.blank, {})
    if entry not in building.rows.frame.columns:
        raise WrongUse(
            f"The key of a record names {entry!r}, which is no column and no mapped field", building.rows.frame.columns
        )
    return building.rows.frame.select(without_blanks(pl.col(entry), nothing).alias("k"))["k"]


def _texts(done: Converted) -> pl.Series:
    values = done.values
    if done.field.type in ("date", "instant"):
        return when_text(values)
    return values[values.columns[0]].cast(pl.String)


def when_text(values: pl.DataFrame) -> pl.Series:
    """Write a stored date as text, for keys."""
    first, last, *moment = values.columns
    span = pl.col(first).cast(pl.String) + "/" + pl.col(last).cast(pl.String)
    return values.select(pl.coalesce(*moment, span).alias("t"))["t"]


def usual_key_names(building: Building, kind: str) -> tuple[str, ...]:
    """Name the parts of the key of a kind for which the mapping gives none: `@` and a kind for a link, or a field."""
    links = [link.target for link in usual_links(building, kind) if link.target in building.keys]
    if kind == "visit" and "when" in building.converted["visit"]:
        links = [target for target in links if target != "round"]
    if kind == "tag" and building.part("plant").find_by:
        links = [target for target in links if target != "plant"]
    names = [f"@{target}" for target in links]
    for f in fields_of(kind):
        done = building.converted.get(kind, {}).get(f.column)
        besides = f.column in ("when", "start", *_KEY_BESIDES.get(kind, ()))
        dated = kind == "tag" and f.type == "date" and building.mapping.table.row == "tag change"
        if done is not None and (f.needed or besides or dated):
            names.append(f.column)
    return tuple(names)


def _usual_key(building: Building, kind: str) -> list[pl.Series]:
    own = building.converted.get(kind, {})
    names = usual_key_names(building, kind)
    parts = [building.keys[n[1:]] if n.startswith("@") else _texts(own[n]) for n in names]
    return parts or [_height_like(building, None, pl.String())]


def usual_links(building: Building, kind: str) -> tuple[Field, ...]:
    """Give the links that hold between things of the same row without being named in the mapping."""
    found = []
    for f in fields_of(kind):
        own = f.column in building.converted.get(kind, {})
        if f.type != "link" or own or not f.target or f.target == kind or (kind, f.column) in _NO_USUAL_LINK:
            continue
        if f.target in building.ids:
            found.append(f)
    return tuple(found)


def link_ids(building: Building, done: Converted) -> pl.Series:
    """Give the ids of the things that a column names (several columns: the parts of their key); remember the names."""
    target = done.field.target
    parts = [done.values[done.field.column]]
    source = building.part(done.field.record).fields[done.field.column]
    if source.columns:
        nothing = blanks(building.mapping.table.blank, source.codes)
        cells = building.rows.frame.select(without_blanks(pl.col(c), nothing) for c in source.columns)
        parts = cells.get_columns()
    keys = joined_key(parts)
    ids = key_ids(building.study_id, target, keys)
    names = building.rows.frame.select("@file", "@sheet", "@row").with_columns(
        parts[0].alias("name"), keys.alias("key"), ids.alias("id"), pl.lit(done.field.column).alias("column")
    )
    building.implied.setdefault(target, []).append(names.filter(pl.col("key").is_not_null()))
    return ids


def row_frame(building: Building, kind: str) -> pl.DataFrame:
    """Give the rows with every field of one kind converted and every link resolved."""
    frame = building.rows.frame.select("@i", "@file", "@sheet", "@row", "@hash")
    for done in building.converted.get(kind, {}).values():
        if done.field.type == "link":
            frame = frame.with_columns(link_ids(building, done).alias(done.field.column))
        else:
            frame = frame.hstack(done.values)
    for link in usual_links(building, kind):
        frame = frame.with_columns(building.ids[link.target].alias(link.column))
    return frame


def finish(building: Building, kind: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Give ids to finished records and bring them into the table's shape.

    Parameters
    ----------
    building : Building
    kind : str
    frame : polars.DataFrame
        `key`, origin columns (`@file`, `@sheet`, `@row`, perhaps `@hash`), perhaps `@id` (the key's id), and fields.
    """
    stored = [c for f in fields_of(kind) for c in f.stored_columns]
    own = [c for c in stored if c in frame.columns]
    texts = frame.select("key", content_text(kind, own).alias("t"))["t"]
    subjects = frame["@id"] if "@id" in frame.columns else id_series(building.study_id, kind, frame["key"])
    hashes = frame["@hash"] if "@hash" in frame.columns else content_hashes(texts)
    named = frame.select("key", *own).with_columns(
        id_series(building.study_id, kind, frame["key"], texts).alias("record_id"),
        subjects.alias("subject_id"),
        frame["@file"].alias("origin_file"),
        frame["@sheet"].alias("origin_sheet"),
        frame["@row"].alias("origin_row"),
    )
    done = as_table(kind, named.drop("key")).with_columns(hashes.alias("origin_hash"), frame["key"].alias("@key"))
    return done.sort("subject_id", "record_id")


def add_table(building: Building, kind: str, table: pl.DataFrame) -> None:
    """Add finished records to those of their kind."""
    if table.height:
        old = building.tables.get(kind)
        building.tables[kind] = table if old is None else pl.concat([old, table]).sort("subject_id", "record_id")


def counted_kinds(mapping: TableMapping) -> frozenset[str]:
    """Give the kinds of which a key may stand in one row only."""
    linked = {f.target for k in mapping.parts for f in fields_of(k) if f.type == "link" and k != f.target}
    events = {k for k in mapping.parts if k not in ENTITIES and k not in linked}
    shape = mapping.table.row
    if shape == "pair of years":
        events.discard("visit")
    primary = PRIMARY[shape]
    return frozenset(events | ({primary} if primary and shape not in ("visit", "pair of years") else set()))


def first_of(series: Iterable[pl.Series | None]) -> pl.Series | None:
    """Give the first series that is there."""
    return next((s for s in series if s is not None), None)
