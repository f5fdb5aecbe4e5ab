"""What a person typed becomes the stored values of a record."""

import math
from collections.abc import Callable, Mapping

from domatia.model.dates import WrittenDate
from domatia.model.errors import WrongUse
from domatia.model.fields import Field, fields_of
from domatia.model.identity import ID_BYTES

Value = str | int | float | bool | bytes | WrittenDate | None
"""One value of a field; None leaves it empty."""

_CHECKS: dict[str, tuple[Callable[[object], bool], str]] = {
    "text": (lambda v: isinstance(v, str) and "\0" not in v, "a text"),
    "choice": (lambda v: isinstance(v, str), "a text"),
    "integer": (lambda v: isinstance(v, int) and not isinstance(v, bool) and abs(v) < 2**63, "a whole number"),
    "number": (lambda v: isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v), "a number"),
    "yes_no": (lambda v: isinstance(v, bool), "True or False"),
    "date": (lambda v: isinstance(v, WrittenDate), "a WrittenDate"),
    "instant": (lambda v: isinstance(v, WrittenDate), "a WrittenDate"),
    "link": (lambda v: isinstance(v, bytes) and len(v) == ID_BYTES, f"an id of {ID_BYTES} bytes"),
    "bytes": (lambda v: isinstance(v, bytes), "bytes"),
}


def stored_values(kind: str, values: Mapping[str, Value]) -> dict[str, object]:
    """Turn values by field into values by stored column.

    Parameters
    ----------
    kind : str
    values : mapping of str to value
        By the names of `fields.csv`; dates as `domatia.model.WrittenDate`.

    Raises
    ------
    WrongUse
        If a field is unknown, a value has the wrong type or is none of the field's choices; all told at once.
    """
    fields = {f.column: f for f in fields_of(kind)}
    unknown = sorted(set(values) - set(fields))
    if unknown:
        raise WrongUse(f"A {kind} record has no field {', '.join(unknown)}", fields, name=unknown[0])
    wrong = [problem for name, value in values.items() if (problem := _problem(fields[name], value))]
    if wrong:
        raise WrongUse("; ".join(wrong), next_step="Nothing was written.")
    found: dict[str, object] = {}
    for name, value in values.items():
        found |= _stored(fields[name], value)
    return found


def refuse_empty(kind: str, row: Mapping[str, object]) -> None:
    """Refuse a record that lacks a value without which it means nothing."""
    lacking = [f.column for f in fields_of(kind) if f.needed and row.get(f.stored_columns[0]) is None]
    if lacking:
        raise WrongUse(f"A {kind} record needs {', '.join(lacking)}", next_step="Nothing was written.")


def _problem(field: Field, value: Value) -> str:
    if value is None:
        return ""
    fits, wanted = _CHECKS[field.type]
    if not fits(value):
        return f"{field.record}.{field.column} takes {wanted}, not {value!r}"
    if field.choices and value not in field.choices:
        return f"{field.record}.{field.column} takes one of {', '.join(field.choices)}, not {value!r}"
    return ""


def _stored(field: Field, value: Value) -> dict[str, object]:
    if field.type in ("date", "instant"):
        parts = (value.earliest, value.latest, value.instant) if isinstance(value, WrittenDate) else (None, None, None)
        return dict(zip(field.stored_columns, parts, strict=False))
    if field.type == "number" and isinstance(value, int):
        return {field.column: float(value)}
    return {field.column: value}
