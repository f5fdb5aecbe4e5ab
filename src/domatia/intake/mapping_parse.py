"""Read a mapping file. Everything wrong with it is told at once."""

import tomllib
from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any, get_args

from domatia.intake.convert_units import allowed_units
from domatia.intake.dates_read import form_pattern
from domatia.intake.mapping import (
    Code,
    Groups,
    IfVaries,
    Part,
    Quantity,
    Shape,
    Source,
    TableForm,
    TableMapping,
)
from domatia.model import Field, WrongUse, fields_of, kinds

_TEXTS = {
    "table": ("file", "row", "sheet", "encoding", "delimiter", "decimal", "thousands", "time_zone", "rest"),
    "source": ("column", "join", "value", "unit", "if_varies", "cell"),
    "quantity": ("column", "of", "name", "unit"),
}
_LISTS = {
    "table": ("blank", "leave_out"),
    "source": ("columns", "date", "alive_if"),
}
_SECTIONS = ("table", "quantity", "groups", "names", "not_visited")


class _Mistakes:
    """The mistakes met so far, each a phrase with what is allowed instead."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def add(self, where: str, text: str) -> None:
        self.told.append(f"{where}: {text}")

    def unknown(self, where: str, name: str, allowed: tuple[str, ...]) -> None:
        near = get_close_matches(name, allowed, n=2, cutoff=0.6)
        hint = f"; did you mean {' or '.join(near)}?" if near else f"; allowed: {', '.join(allowed)}"
        self.add(where, f"there is no {name!r}{hint}")

    def text(self, where: str, raw: Mapping[str, Any], names: tuple[str, ...]) -> dict[str, str]:
        found: dict[str, str] = {}
        for name in names:
            value = raw.get(name, "")
            if not isinstance(value, str):
                self.add(where, f"{name} must be text in quotation marks, not {value!r}")
            elif name in raw:
                found[name] = value
        return found

    def texts(self, where: str, name: str, value: object) -> tuple[str, ...]:
        if isinstance(value, str):
            return (value,)
        if isinstance(value, list) and all(isinstance(v, str) for v in value):
            return tuple(value)
        self.add(where, f"{name} must be text or a list of texts, not {value!r}")
        return ()

    def table(self, where: str, value: object) -> Mapping[str, Any]:
        if isinstance(value, dict):
            return value
        self.add(where, f"must be a table of names and values, not {value!r}")
        return {}

    def choice(self, where: str, name: str, value: str, allowed: tuple[str, ...]) -> None:
        if value not in allowed:
            self.unknown(f"{where} {name}", value, allowed)


def _whole(mistakes: _Mistakes, where: str, name: str, value: object) -> int:
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    mistakes.add(where, f"{name} must be a whole number, not {value!r}")
    return 0


def _known_names(mistakes: _Mistakes, where: str, raw: Mapping[str, Any], allowed: tuple[str, ...]) -> None:
    for name in raw:
        if name not in allowed:
            mistakes.unknown(where, name, allowed)


def _table(mistakes: _Mistakes, raw: Mapping[str, Any]) -> TableForm:
    where = "[table]"
    _known_names(mistakes, where, raw, (*_TEXTS["table"], *_LISTS["table"], "skip_rows"))
    found: dict[str, Any] = dict(mistakes.text(where, raw, _TEXTS["table"]))
    for name in _LISTS["table"]:
        if name in raw:
            found[name] = mistakes.texts(where, name, raw[name])
    if "skip_rows" in raw:
        found["skip_rows"] = _whole(mistakes, where, "skip_rows", raw["skip_rows"])
    if not found.get("row"):
        mistakes.add(where, f"row must say what one row is: {', '.join(get_args(Shape))}")
    else:
        mistakes.choice(where, "row", found["row"], get_args(Shape))
    mistakes.choice(where, "rest", found.get("rest", "quantities"), ("quantities", "leave out"))
    if found.get("decimal", ".") not in (".", ","):
        mistakes.add(where, f"decimal must be '.' or ',', not {found['decimal']!r}")
    if found.get("thousands") and found["thousands"] == found.get("decimal", "."):
        mistakes.add(where, "decimal and thousands cannot be the same sign")
    return TableForm(**found)


def _codes(mistakes: _Mistakes, where: str, raw: object) -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    meant: dict[str, str] = {}
    for code, cells in mistakes.table(f"{where} codes", raw).items():
        if code not in get_args(Code):
            mistakes.unknown(f"{where} codes", code, get_args(Code))
            continue
        found[code] = mistakes.texts(f"{where} codes", code, cells)
        for cell in found[code]:
            if meant.setdefault(cell, code) != code:
                mistakes.add(where, f"the cell {cell!r} cannot mean both {meant[cell]} and {code}")
    return found


def _source(mistakes: _Mistakes, where: str, raw: object, field: Field) -> Source:
    if isinstance(raw, str):
        raw = {"column": raw}
    options = mistakes.table(where, raw)
    allowed = (*_TEXTS["source"], *_LISTS["source"], "words", "codes", "cell_size_m")
    _known_names(mistakes, where, options, allowed)
    found: dict[str, Any] = dict(mistakes.text(where, options, _TEXTS["source"]))
    for name in _LISTS["source"]:
        if name in options:
            found[name] = mistakes.texts(where, name, options[name])
    if "words" in options:
        words = mistakes.table(f"{where} words", options["words"])
        found["words"] = {k: v for k, v in words.items() if isinstance(v, str)}
        if len(found["words"]) < len(words):
            mistakes.add(f"{where} words", "every value must be text in quotation marks")
    if "codes" in options:
        found["codes"] = _codes(mistakes, where, options["codes"])
    if "cell_size_m" in options:
        size = options["cell_size_m"]
        found["cell_size_m"] = float(size) if isinstance(size, int | float) else 0.0
    _judge_source(mistakes, where, found, field)
    return Source(**found)


def _judge_source(mistakes: _Mistakes, where: str, found: Mapping[str, Any], field: Field) -> None:
    given = [n for n in ("column", "columns", "value") if found.get(n)]
    if len(given) != 1 and not (not given and found.get("alive_if")):
        mistakes.add(where, "give one of column, columns, value")
    mistakes.choice(where, "if_varies", found.get("if_varies", "refuse"), get_args(IfVaries))
    if found.get("if_varies") == "any" and not found.get("words") and field.type != "yes_no":
        mistakes.add(where, 'if_varies = "any" needs words, of which the first wins')
    if field.type == "choice":
        for meant in {*found.get("words", {}).values(), found.get("value", "")} - {""}:
            if meant not in field.choices:
                mistakes.unknown(where, meant, field.choices)
    _judge_reading(mistakes, where, found, field)
    if found.get("alive_if") and (field.record, field.column) != ("visit", "status"):
        mistakes.add(where, "alive_if is for visit.status only")
    if bool(found.get("cell")) != bool(found.get("cell_size_m")):
        mistakes.add(where, "cell and cell_size_m (above 0) go together")


def _judge_reading(mistakes: _Mistakes, where: str, found: Mapping[str, Any], field: Field) -> None:
    if found.get("date") and field.type not in ("date", "instant"):
        mistakes.add(where, "date is for dates only")
    if {"dd/mm/yyyy", "mm/dd/yyyy"} <= set(found.get("date", ())):
        mistakes.add(where, "dd/mm/yyyy and mm/dd/yyyy cannot both hold in one column")
    if found.get("unit") and field.type not in ("number", "integer"):
        mistakes.add(where, "unit is for numbers only")
    elif found.get("unit"):
        mistakes.choice(where, "unit", found["unit"], allowed_units(field.unit))
    for form in found.get("date", ()):
        try:
            form_pattern(form)
        except WrongUse as e:
            mistakes.add(where, str(e))


def _part(mistakes: _Mistakes, kind: str, raw: object) -> Part:
    options = mistakes.table(f"[{kind}]", raw)
    known = {f.column: f for f in fields_of(kind)}
    fields: dict[str, Source] = {}
    key: tuple[str, ...] = ()
    find_by = ""
    for name, value in options.items():
        if name == "key":
            key = mistakes.texts(f"[{kind}]", "key", value)
        elif name == "find_by":
            find_by = str(value)
            if find_by != "tag" or kind != "plant":
                mistakes.add(f"[{kind}]", 'find_by can only be "tag", in [plant]')
        elif name in known:
            fields[name] = _source(mistakes, f"{kind}.{name}", value, known[name])
        else:
            mistakes.unknown(f"[{kind}]", name, (*known, "key", *(("find_by",) if kind == "plant" else ())))
    return Part(kind, key, find_by, fields)


def _quantity(mistakes: _Mistakes, number: int, raw: object) -> Quantity:
    where = f"[[quantity]] number {number}"
    options = mistakes.table(where, raw)
    _known_names(mistakes, where, options, (*_TEXTS["quantity"], "codes"))
    found: dict[str, Any] = {"column": "", **mistakes.text(where, options, _TEXTS["quantity"])}
    if not found["column"]:
        mistakes.add(where, "column is missing")
    if found.get("of"):
        mistakes.choice(where, "of", found["of"], kinds())
    if "codes" in options:
        found["codes"] = _codes(mistakes, where, options["codes"])
    return Quantity(**found)


def _groups(mistakes: _Mistakes, raw: Mapping[str, Any]) -> Groups:
    where = "[groups]"
    _known_names(mistakes, where, raw, ("names", "years_later", "columns"))
    names = mistakes.texts(where, "names", raw.get("names", []))
    later = raw.get("years_later", [])
    if not isinstance(later, list):
        mistakes.add(where, "years_later must be a list of whole numbers")
        later = []
    years = tuple(_whole(mistakes, where, "years_later", y) for y in later)
    columns = {
        alias: mistakes.texts(f"{where} columns", alias, headers)
        for alias, headers in mistakes.table(f"{where} columns", raw.get("columns", {})).items()
    }
    for what, length in (("years_later", len(years)), *((f"columns.{a}", len(h)) for a, h in columns.items())):
        if length not in (0, len(names)):
            mistakes.add(where, f"{what} needs one entry for each of the {len(names)} names")
    return Groups(names, years, columns)


def _rounds(mistakes: _Mistakes, raw: Mapping[str, Any], name: str) -> dict[str, tuple[str, ...]]:
    where = f"[not_visited] {name}"
    places = mistakes.table(where, raw.get(name, {}))
    return {place: mistakes.texts(where, place, rounds) for place, rounds in places.items()}


def _names(mistakes: _Mistakes, raw: Mapping[str, Any]) -> dict[str, dict[str, str]]:
    found: dict[str, dict[str, str]] = {}
    for kind, pairs in raw.items():
        mistakes.choice("[names]", "record", kind, kinds())
        table = mistakes.table(f"[names.{kind}]", pairs)
        found[kind] = {k: v for k, v in table.items() if isinstance(v, str)}
        if len(found[kind]) < len(table):
            mistakes.add(f"[names.{kind}]", "every name must be text in quotation marks")
    return found


def _judge_whole(mistakes: _Mistakes, mapping: TableMapping) -> None:
    shape, parts = mapping.table.row, mapping.parts
    repeated = shape in ("plant with repeated groups", "pair of years")
    if repeated and not mapping.groups.names:
        mistakes.add("[groups]", f"names are needed, since one row is a {shape}")
    if mapping.groups.names and not repeated:
        mistakes.add("[groups]", f"has no meaning where one row is a {shape}")
    clock = any("HH" in f for p in parts.values() for s in p.fields.values() for f in s.date)
    if clock and not mapping.table.time_zone:
        mistakes.add("[table]", "time_zone is needed, since a form of date has a clock time")
    if shape == "pair of years" and len(mapping.groups.names) not in (0, 2):
        mistakes.add("[groups]", "a pair of years has two names")
    needs = {"visit": "visit", "plant with repeated groups": "visit", "pair of years": "visit"}
    needs |= {"plant": "plant", "place": "place", "tag change": "tag", "place visit": "place_visit"}
    need = needs.get(shape, "")
    if need and need not in parts:
        mistakes.add("[table] row", f"one row is a {shape}, but there is no section [{need}]")
    _judge_needed(mistakes, mapping)
    plant = parts.get("plant")
    if plant is not None and not plant.key and not plant.find_by:
        mistakes.add("[plant]", "key is missing: which columns tell one plant from another?")


def _judge_needed(mistakes: _Mistakes, mapping: TableMapping) -> None:
    """Tell which fields are missing without which a record means nothing."""
    for kind, part in mapping.parts.items():
        for f in fields_of(kind):
            there = f.column in part.fields or (f.type == "link" and f.target in mapping.parts)
            worked_out = (kind, f.column) == ("occupancy", "looked") or (f.column in ("name", "number") and part.key)
            if kind == "tag" and mapping.table.row == "tag change":
                worked_out = "former_tag" in part.fields
            if f.needed and not there and not worked_out:
                section = f", or a section [{f.target}]" if f.type == "link" and f.target else ""
                mistakes.add(f"[{kind}]", f"{f.column} is missing{section}; without it a {kind} means nothing")


def parse_mapping(text: str, name: str = "mapping") -> TableMapping:
    """Read a mapping from the text of its TOML file.

    Parameters
    ----------
    text : str
    name : str
        Name of the file, for messages.

    Raises
    ------
    WrongUse
        If the text is no TOML, or holds unknown names or values of the wrong form. All mistakes are told at once.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as e:
        raise WrongUse(f"The mapping {name} is not TOML: {e}", next_step="Mend the file and try again.") from e
    mistakes = _Mistakes()
    for section in raw:
        if section not in _SECTIONS and section not in kinds():
            mistakes.unknown(name, section, (*_SECTIONS, *kinds()))
    listed = raw.get("quantity", [])
    if not isinstance(listed, list):
        mistakes.add("quantity", "write [[quantity]] with double brackets, once for each column")
        listed = []
    rounds = mistakes.table("[not_visited]", raw.get("not_visited", {}))
    _known_names(mistakes, "[not_visited]", rounds, ("confirmed", "partly"))
    found = TableMapping(
        table=_table(mistakes, mistakes.table("[table]", raw.get("table", {}))),
        parts={k: _part(mistakes, k, v) for k, v in raw.items() if k in kinds() and k != "quantity"},
        quantities=tuple(_quantity(mistakes, i, q) for i, q in enumerate(listed, 1)),
        groups=_groups(mistakes, mistakes.table("[groups]", raw.get("groups", {}))),
        names=_names(mistakes, mistakes.table("[names]", raw.get("names", {}))),
        not_visited=_rounds(mistakes, rounds, "confirmed"),
        partly=_rounds(mistakes, rounds, "partly"),
    )
    _judge_whole(mistakes, found)
    if mistakes.told:
        count = "a mistake" if len(mistakes.told) == 1 else f"{len(mistakes.told)} mistakes"
        raise WrongUse(
            f"The mapping {name} has {count}. " + "; ".join(mistakes.told),
            next_step="Mend the mapping and try again.",
        )
    return found
