"""Correcting a value: a new revision with who and why; the old value stays readable."""

from dataclasses import dataclass

import polars as pl

from domatia.model import Field, StudyData, WrittenDate, WrongUse, field, fields_of
from domatia.model.dates import parse_iso
from domatia.store import Value
from domatia.tasks.opening import reading, writing

YES, NO = ("yes", "true", "1"), ("no", "false", "0")


@dataclass(frozen=True)
class Corrected:
    """What was corrected."""

    kind: str
    column: str
    before: str
    after: str
    record_id: bytes


def typed_value(wanted: Field, text: str) -> Value:
    """Turn what a person typed into a value of a field; an empty text empties it.

    Raises
    ------
    WrongUse
        If the text does not fit the field; it says which texts do.
    """
    t = text.strip()
    where = f"{wanted.record}.{wanted.column}"
    if not t:
        return None
    try:
        return _possible(wanted, _typed(wanted, t))
    except ValueError as e:
        allowed = {
            "integer": "a whole number",
            "number": "a number with a decimal point",
            "yes_no": "yes or no",
            "date": "a date such as 2003, 2003-10, 2003-10-17",
            "instant": "a date such as 2003-10-17, or with a clock time 2003-10-17T06:30-05:00",
            "link": "an id of 32 hexadecimal digits",
        }.get(wanted.type, "a text")
        raise WrongUse(f"{t!r} does not fit {where}", allowed, "Nothing was written.") from e


def _possible(wanted: Field, value: Value) -> Value:
    """Refuse a number that is impossible for its field; what is only implausible is left to the checks."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        low = float("-inf") if wanted.low is None else wanted.low
        high = float("inf") if wanted.high is None else wanted.high
        if value < low or value > high:
            raise WrongUse(
                f"{wanted.record}.{wanted.column} cannot be {value:g}", f"{low:g} to {high:g}", "Nothing was written."
            )
    return value


def _typed(wanted: Field, t: str) -> Value:
    match wanted.type:
        case "integer":
            return int(t)
        case "number":
            return float(t)
        case "yes_no":
            if t.lower() not in YES + NO:
                raise ValueError(t)
            return t.lower() in YES
        case "date" | "instant":
            return parse_iso(t)
        case "link" | "bytes":
            return bytes.fromhex(t)
        case _:
            return t


def shown_value(data: StudyData, kind: str, subject_id: bytes, column: str) -> str:
    """Write the current value of a field, for a person."""
    row = data.table(kind).filter(pl.col("subject_id") == subject_id)
    wanted = field(kind, column)
    if row.is_empty():
        return "(undecided)"
    values = [row[c][0] for c in wanted.stored_columns]
    if values[0] is None:
        return "(blank)"
    if wanted.type in ("date", "instant"):
        return str(WrittenDate(values[0], values[1], values[2] if len(values) > 2 else None))
    return values[0].hex() if isinstance(values[0], bytes) else str(values[0])


def correct(where: str, record: str, changes: dict[str, str], why: str, author: str) -> tuple[Corrected, ...]:
    """Correct values of one record.

    Parameters
    ----------
    where : str
        The study.
    record : str
        First digits of the record's or the thing's id.
    changes : dict of str to str
        New value by field, as typed; an empty text empties the field.
    why, author : str

    Raises
    ------
    WrongUse
        If there is no reason, no such record or field, or a value does not fit.
    """
    if not why.strip():
        raise WrongUse("A correction needs a reason", next_step="Give one with --why.")
    with writing(where) as study:
        found = study.find(record)
        known = [f.column for f in fields_of(found.kind)]
        wrong = sorted(set(changes) - set(known))
        if wrong:
            raise WrongUse(f"A {found.kind} record has no field {', '.join(wrong)}", known, name=wrong[0])
        values = {c: typed_value(field(found.kind, c), v) for c, v in changes.items()}
        data = study.read()
        before = {c: shown_value(data, found.kind, found.subject_id, c) for c in changes}
        if data.table(found.kind).filter(pl.col("subject_id") == found.subject_id).height:
            new = study.correct(found.kind, found.subject_id, values, author, why)
        elif found.record_id is None:
            raise WrongUse(
                f"{record} has two current values", next_step="Name the record to start from; see `domatia check`."
            )
        else:
            new = study.correct(
                found.kind, found.subject_id, values, author, why, from_record=found.record_id, settle_heads=True
            )
    return tuple(Corrected(found.kind, c, before[c], v.strip() or "(blank)", new) for c, v in changes.items())


def withdraw(where: str, record: str, why: str, author: str) -> bytes:
    """Write that a record no longer counts, with a reason; it stays readable.

    Raises
    ------
    WrongUse
        If there is no reason or no such record.
    """
    if not why.strip():
        raise WrongUse("A withdrawal needs a reason", next_step="Give one with --why.")
    with reading(where) as study:
        found = study.find(record)
        data = study.read()
    own = data.table(found.kind).filter(pl.col("subject_id") == found.subject_id)
    target = found.record_id or (own["record_id"][0] if own.height == 1 else None)
    if target is None:
        raise WrongUse(f"{record} has two current values", next_step="Name one of its records, see `domatia changes`.")
    with writing(where) as study:
        return study.withdraw(target, author, why)
