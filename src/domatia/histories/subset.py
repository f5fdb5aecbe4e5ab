"""A part of a study: the plants of one site, habitat, species or treatment, with everything that hangs on them."""

from dataclasses import replace

import polars as pl

from domatia.histories.facts import contrast_columns, plant_facts
from domatia.model.errors import WrongUse
from domatia.model.fields import fields_of
from domatia.model.study import StudyData

MOST_PARTS = 60
_PLACES = ("site", "block", "plot")
_FOLLOWING = ("visit", "leaf", "occupancy")
"""Kinds that other kinds hang on, in the order in which they are cut down."""


def values_within(data: StudyData, field: str) -> tuple[str, ...]:
    """Give the values of a field of the plants or their places, sorted.

    Raises
    ------
    WrongUse
        If plants and places have no such field, or no plant has a value in it.
    """
    found = _named(data, field)["value"].drop_nulls().unique().sort().to_list()
    if len(found) > MOST_PARTS:
        raise WrongUse(
            f"--within {field}: it has {len(found):,} different values",
            f"fields with at most {MOST_PARTS} values, such as site or habitat",
        )
    if not found:
        raise WrongUse(f"--within {field}: no plant has a value there", next_step="Choose a field that was recorded.")
    return tuple(found)


def only_plants(data: StudyData, field: str, value: str) -> StudyData:
    """Give the study as if it held only the plants with this value of a field, with their records.

    Records that hang on no plant (places, taxa, permits, rounds) stay, and so do findings on records that stay.

    Raises
    ------
    WrongUse
        If there is no such field or no plant has this value.
    """
    named = _named(data, field)
    if value not in set(named["value"].drop_nulls()):
        raise WrongUse(f"{field}={value}: no plant has this value", values_within(data, field), name=value)
    kept = {"plant": named.filter(pl.col("value") == value)["plant"]}
    order = [*_FOLLOWING, *(k for k in data.tables if k not in _FOLLOWING)]
    tables: dict[str, pl.DataFrame] = {}
    for kind in order:
        table = data.tables.get(kind)
        if table is not None:
            tables[kind] = _cut(kind, table, kept)
            if kind in _FOLLOWING:
                kept[kind] = tables[kind]["subject_id"]
    there = {i for t in tables.values() for i in t["record_id"].to_list()}
    findings = tuple(f for f in data.findings if any(not w.record_id or w.record_id in there for w in f.where))
    return replace(data, tables=tables, findings=findings)


def _named(data: StudyData, field: str) -> pl.DataFrame:
    """Give `plant` and `value` as text."""
    facts = plant_facts(data)
    if field in _PLACES:
        names = data.table("place").select(pl.col("subject_id").alias(field), value="name")
        return facts.select("plant", field).join(names, on=field, how="left").select("plant", "value")
    allowed = (*_PLACES, *contrast_columns(facts))
    if field not in allowed:
        raise WrongUse(f"--within {field}: plants and their places have no such field", allowed, name=field)
    return facts.select("plant", value=pl.col(field).cast(pl.String))


def _cut(kind: str, table: pl.DataFrame, kept: dict[str, pl.Series]) -> pl.DataFrame:
    if kind == "plant":
        return table.filter(pl.col("subject_id").is_in(kept["plant"].implode()))
    for f in fields_of(kind):
        if f.type == "link" and f.target in kept and f.target != kind and not (f.target == "plant" and not f.needed):
            table = table.filter(pl.col(f.column).is_in(kept[f.target].implode()))
        elif f.type == "link" and f.target == "plant" and not f.needed:
            own = pl.col(f.column)
            table = table.filter(own.is_null() | own.is_in(kept["plant"].implode()))
    return table
