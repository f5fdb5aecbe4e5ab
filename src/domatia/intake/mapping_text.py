"""Write a mapping as TOML, one field a line, so that a person can read and edit it."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import fields as attributes

from domatia.intake.mapping import Groups, Part, Quantity, Source, TableForm, TableMapping

_BARE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")


def _name(text: str) -> str:
    return text if text and set(text) <= _BARE else _value(text)


def _value(value: object) -> str:
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_name(str(k))} = {_value(v)}" for k, v in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, Sequence):
        return f"[{', '.join(_value(v) for v in value)}]"
    return repr(value)


def _differing(thing: Source | TableForm | Quantity | Groups, always: tuple[str, ...] = ()) -> dict[str, object]:
    blank = type(thing)(column="") if isinstance(thing, Quantity) else type(thing)()
    return {
        a.name: getattr(thing, a.name)
        for a in attributes(thing)
        if a.name in always or getattr(thing, a.name) != getattr(blank, a.name)
    }


def _source(source: Source) -> str:
    found = _differing(source)
    if set(found) == {"column"}:
        return _value(found["column"])
    if "date" in found and len(source.date) == 1:
        found["date"] = source.date[0]
    return _value(found)


def _comment(text: str) -> list[str]:
    return [f"# {line}" for line in text.splitlines()]


def _part(part: Part, notes: Mapping[str, str]) -> list[str]:
    lines = [f"[{part.kind}]"]
    if part.kind in notes:
        lines = [*_comment(notes[part.kind]), *lines]
    if part.key:
        lines.append(f"key = {_value(part.key)}")
    if part.find_by:
        lines.append(f"find_by = {_value(part.find_by)}")
    for name, source in part.fields.items():
        lines += _comment(notes.get(f"{part.kind}.{name}", ""))
        lines.append(f"{name} = {_source(source)}")
    return lines


def mapping_text(mapping: TableMapping, notes: Mapping[str, str] | None = None) -> str:
    """Write a mapping as the text of its TOML file.

    Parameters
    ----------
    mapping : TableMapping
    notes : mapping of str to str, optional
        Remarks that are written as comments above a section ("table", "visit", …), a field ("visit.height_cm") or a
        quantity ("quantity.soil", by its column).

    Returns
    -------
    str
        `parse_mapping` of it gives the same mapping.
    """
    told = notes or {}
    blocks: list[list[str]] = []
    table = _differing(mapping.table, always=("file", "row"))
    blocks.append(
        [*_comment(told.get("table", "")), "[table]", *(f"{_name(k)} = {_value(v)}" for k, v in table.items())]
    )
    groups = _differing(mapping.groups)
    if groups:
        blocks.append(
            [*_comment(told.get("groups", "")), "[groups]", *(f"{k} = {_value(v)}" for k, v in groups.items())]
        )
    blocks += [_part(part, told) for part in mapping.parts.values()]
    for quantity in mapping.quantities:
        lines = _comment(told.get(f"quantity.{quantity.column}", ""))
        found = _differing(quantity, always=("column",))
        blocks.append([*lines, "[[quantity]]", *(f"{k} = {_value(v)}" for k, v in found.items())])
    for kind, pairs in mapping.names.items():
        blocks.append([f"[names.{_name(kind)}]", *(f"{_value(k)} = {_value(v)}" for k, v in pairs.items())])
    rounds = {"confirmed": mapping.not_visited, "partly": mapping.partly}
    if any(rounds.values()):
        blocks.append(["[not_visited]", *(f"{k} = {_value(v)}" for k, v in rounds.items() if v)])
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"
