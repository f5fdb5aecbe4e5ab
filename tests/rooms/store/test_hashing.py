"""The content hash of many rows at once."""

from datetime import date

import polars as pl

from domatia.model.identity import content_hash
from domatia.model.tables import body_schema
from domatia.store import body_hashes


def test_it_is_the_hash_of_names_and_values() -> None:
    """A row's hash is the model's content hash over the names and values that it has, in the order of names."""
    frame = pl.DataFrame(
        {
            "plant": [b"p" * 16, b"q" * 16],
            "when_earliest": [date(1998, 1, 1), None],
            "status": ["alive", ""],
            "height_cm": [12.5, 3.0],
            "leaves": [None, 7],
        }
    )
    whole = frame.with_columns(
        pl.lit(None, dtype=t).alias(c) for c, t in body_schema("visit").items() if c not in frame.columns
    )
    assert body_hashes("visit", whole) == [
        content_hash(
            ["height_cm", 12.5, "plant", b"p" * 16, "status", "alive", "when_earliest", date(1998, 1, 1)],
        ),
        content_hash(["height_cm", 3, "leaves", 7, "plant", b"q" * 16, "status", ""]),
    ]


def test_yes_is_not_one() -> None:
    """True and the number 1 hash differently, as do null and empty text."""
    schema = body_schema("trial")
    rows: list[dict[str, object]] = [
        {"tethered": True},
        {"tethered": None},
        {"contacts": 1},
        {"intruder": ""},
        {"intruder": "1"},
    ]
    whole = pl.DataFrame([{c: row.get(c) for c in schema} for row in rows], schema=schema)
    assert len(set(body_hashes("trial", whole))) == len(rows)


def test_a_table_without_rows_or_values() -> None:
    """No rows give no hashes; a row without any value has the hash of nothing."""
    empty = pl.DataFrame(schema=body_schema("visit"))
    assert body_hashes("visit", empty) == []
    blank = pl.DataFrame([dict.fromkeys(body_schema("visit"))], schema=body_schema("visit"))
    assert body_hashes("visit", blank) == [content_hash([])]
