"""The rows of a layer as the crew wrote them: a table of text a record kind, and its mapping."""

from collections.abc import Sequence

import polars as pl

from domatia.lifecycle.crew_table import CrewTable
from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.layers.records import OCCUPANCY
from domatia.lifecycle.messy_census import plant_number
from domatia.lifecycle.messy_mappings import quoted
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.study_lists import block_name
from domatia.model.fields import Field, fields_of

_DAY, _CLOCK = "dd/mm/yyyy", "dd/mm/yyyy HH:MM"


def crew_tables(layer: Layer, book: Notebook) -> tuple[CrewTable, ...]:
    """Draw a layer and write it down.

    Parameters
    ----------
    layer : Layer
    book : Notebook

    Returns
    -------
    tuple of CrewTable
        One a record kind. Plants are known by block and number, dates are written as day/month/year, instants in UTC
        to the minute, blanks are empty cells.
    """
    drawn = layer.rows(book)
    several = len(drawn) > 1
    return tuple(
        _quantities(layer, rows, several) if kind == "quantity" else _table(layer, book, kind, rows, several)
        for kind, rows in drawn.items()
    )


def _table(layer: Layer, book: Notebook, kind: str, rows: pl.DataFrame, several: bool) -> CrewTable:
    own = [f for f in fields_of(kind) if f.column in rows.columns and (kind, f.column) != ("plant", "place")]
    columns: dict[str, Sequence[str]] = {}
    lines, parts, clock = [], [], False
    if kind == "plant":
        columns |= _plant_columns(book, rows["name"])
        parts.append('[place]\nname = "block"')
        lines.append('key = ["place.name", "plant"]')
    for f in own:
        values = rows[f.column]
        if f.type == "link" and f.target == "plant":
            columns |= _plant_columns(book, values)
            parts.append('[place]\nname = "block"\n\n[plant]\nkey = ["place.name", "plant"]')
            continue
        header = f.column.replace("_", " ")
        columns[header] = _texts(book, f, values)
        form = _CLOCK if values.dtype == pl.Datetime else _DAY
        dated = f.type in ("date", "instant")
        clock = clock or (dated and form == _CLOCK)
        lines.append(
            f"{f.column} = {{ column = {quoted(header)}, date = {quoted(form)} }}"
            if dated
            else f"{f.column} = {quoted(header)}"
        )
    more = ""
    if f"{OCCUPANCY}looked" in rows.columns:
        columns |= _occupancy_columns(book, rows)
        more = '\n\n[occupancy]\nlooked = "looked"\ntaxon = "ant"\nstage = "stage"'
    file = f"{layer.code}_{kind}.csv" if several else f"{layer.code}.csv"
    head = f"[table]\nfile = {quoted(file)}\nrow = {quoted('plant' if kind == 'plant' else 'quantities')}" + (
        '\ntime_zone = "UTC"' if clock else ""
    )
    mapping = "\n\n".join([head, *parts, "\n".join([f"[{kind}]", *lines]) + more]) + "\n"
    return CrewTable(file, pl.DataFrame(columns, schema=dict.fromkeys(columns, pl.String)), mapping)


def _quantities(layer: Layer, rows: pl.DataFrame, several: bool) -> CrewTable:
    """Write quantities as a table with a column for each thing measured, one row a value."""
    columns, sections = {}, []
    for (name,), part in rows.group_by(["name"], maintain_order=True):
        own = rows["name"] == name
        values = rows["number"].to_list()
        texts = [f"{v:.10g}" if here else "" for v, here in zip(values, own.to_list(), strict=True)]
        columns[str(name)] = texts
        unit = f"unit = {quoted(str(part['unit'][0]))}\n" if part["unit"][0] else ""
        sections.append(f"[[quantity]]\ncolumn = {quoted(str(name))}\nname = {quoted(str(name))}\n{unit}")
    file = f"{layer.code}_quantity.csv" if several else f"{layer.code}.csv"
    head = f'[table]\nfile = {quoted(file)}\nrow = "quantities"\n'
    frame = pl.DataFrame(columns, schema=dict.fromkeys(columns, pl.String))
    return CrewTable(file, frame, "\n".join([head, *sections]))


def _plant_columns(book: Notebook, slots: pl.Series) -> dict[str, Sequence[str]]:
    spec, block = book.spec, book.life.stand.block
    there = slots.to_list()
    if slots.dtype == pl.String:
        named = [("", "") if n is None else n.split("/", 1) for n in there]
        return {"block": [n[0] for n in named], "plant": [n[1] for n in named]}
    return {
        "block": ["" if p is None else block_name(spec, int(block[p])) for p in there],
        "plant": ["" if p is None else plant_number(spec, p) for p in there],
    }


def _occupancy_columns(book: Notebook, rows: pl.DataFrame) -> dict[str, Sequence[str]]:
    looked = [None if v is None else ("yes" if v else "no") for v in rows[f"{OCCUPANCY}looked"].to_list()]
    ants = [None if v is None else book.spec.ants[v].name for v in rows[f"{OCCUPANCY}taxon"].to_list()]
    stages = rows[f"{OCCUPANCY}stage"].to_list()
    return {name: [v or "" for v in values] for name, values in (("looked", looked), ("ant", ants), ("stage", stages))}


def _texts(book: Notebook, field: Field, values: pl.Series) -> list[str]:
    if field.type in ("date", "instant"):
        return (
            values.dt.strftime("%d/%m/%Y %H:%M" if values.dtype == pl.Datetime else "%d/%m/%Y").fill_null("").to_list()
        )
    if field.type == "link" and field.target == "taxon":
        return ["" if v is None else book.spec.ants[v].name for v in values.to_list()]
    if field.type == "yes_no":
        return ["" if v is None else ("yes" if v else "no") for v in values.to_list()]
    if field.type == "number":
        return ["" if v is None or v != v else f"{v:.10g}" for v in values.to_list()]
    return ["" if v is None else str(v) for v in values.to_list()]
