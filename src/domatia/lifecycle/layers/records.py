"""The rows of a layer as records of a study in memory."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.naming import Naming
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.study_lists import PERMITS, block_name
from domatia.model.fields import Field, fields_of

OCCUPANCY = "occupancy."
"""Begins the names of the columns `looked`, `taxon` and `stage` that rows of visits may hold."""

NAMED = {"colony": "name", "specimen": "number"}
"""Record kinds whose rows have a name that links may use, and the field that holds it."""


def study_tables(layer: Layer, book: Notebook, ids: Naming, plants: Sequence[bytes]) -> Mapping[str, pl.DataFrame]:
    """Draw a layer and give its records.

    Parameters
    ----------
    layer : Layer
    book : Notebook
    ids : Naming
    plants : sequence of bytes
        Ids of the plants, by slot.

    Returns
    -------
    mapping of str to polars.DataFrame
        By record kind, with identity columns, sorted by `subject_id`.
    """
    spec = book.spec
    linked = _Linked(
        {"plant": plants, "taxon": ids.named("taxon", [a.name for a in spec.ants])},
        {
            "place": {block_name(spec, b): f"block {b}" for b in range(spec.blocks)},
            "permit": {number: key for key, number, _, _ in PERMITS},
        },
        ids,
    )
    found = {}
    for kind, rows in layer.rows(book).items():
        subjects = _subjects(layer, kind, rows, ids)
        if f"{OCCUPANCY}looked" in rows.columns:
            found["occupancy"] = _occupancies(layer, rows, subjects, linked)
        columns = [
            _identity("subject_id", subjects),
            _identity("record_id", ids.rows(f"{layer.code} {kind} record", rows.height)),
        ]
        for field in fields_of(kind):
            if field.column in rows.columns:
                columns += _stored(field, rows[field.column], linked)
        found[kind] = pl.DataFrame(columns).sort("subject_id")
    return found


def extra_plant(ids: Naming, name: str) -> bytes:
    """Give the id of a plant that a layer adds beside those of the census; its name is BLOCK/NUMBER."""
    return ids.one("plant", f"extra {name}")


@dataclass(frozen=True)
class _Linked:
    """Things that rows link to."""

    numbered: Mapping[str, Sequence[bytes]]
    keys: Mapping[str, Mapping[str, str]]
    ids: Naming

    def to(self, kind: str, values: pl.Series) -> list[bytes | None]:
        """Give the id behind each value."""
        if kind == "plant" and values.dtype == pl.String:
            return [None if v is None else extra_plant(self.ids, v) for v in values.to_list()]
        known = self.numbered.get(kind)
        if known is not None:
            return [None if v is None else known[v] for v in values.to_list()]
        keys = self.keys.get(kind, {})
        return [None if v is None else self.ids.one(kind, keys.get(v, v)) for v in values.to_list()]


def _occupancies(layer: Layer, rows: pl.DataFrame, visits: Sequence[bytes], linked: _Linked) -> pl.DataFrame:
    """Give the occupancies that stand in the rows of visits."""
    told = rows.with_columns(_identity("@visit", visits)).filter(pl.col(f"{OCCUPANCY}looked").is_not_null())
    return pl.DataFrame(
        [
            _identity("subject_id", linked.ids.rows(f"{layer.code} occupancy", told.height)),
            _identity("record_id", linked.ids.rows(f"{layer.code} occupancy record", told.height)),
            told["@visit"].alias("visit"),
            told[f"{OCCUPANCY}looked"].alias("looked"),
            pl.Series("taxon", linked.to("taxon", told[f"{OCCUPANCY}taxon"]), dtype=pl.Binary()),
            told[f"{OCCUPANCY}stage"].alias("stage"),
        ]
    ).sort("subject_id")


def _identity(name: str, values: Sequence[bytes]) -> pl.Series:
    return pl.Series(name, values, dtype=pl.Binary())


def _subjects(layer: Layer, kind: str, rows: pl.DataFrame, ids: Naming) -> list[bytes]:
    if kind == "plant":
        return [extra_plant(ids, name) for name in rows["name"].to_list()]
    if kind in NAMED:
        return ids.named(kind, rows[NAMED[kind]].to_list())
    return ids.rows(f"{layer.code} {kind}", rows.height)


def _stored(field: Field, values: pl.Series, linked: _Linked) -> list[pl.Series]:
    if field.type in ("date", "instant"):
        day = values.cast(pl.Date)
        found = [day.alias(f"{field.column}_earliest"), day.alias(f"{field.column}_latest")]
        if field.type == "instant" and values.dtype == pl.Datetime:
            found.append(values.dt.strftime("%Y-%m-%dT%H:%M:%S+00:00").alias(f"{field.column}_instant"))
        return found
    if field.type != "link":
        return [values]
    return [pl.Series(field.column, linked.to(field.target, values), dtype=pl.Binary())]
