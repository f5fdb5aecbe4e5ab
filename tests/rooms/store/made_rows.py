"""Rows as intake would hand them over: named ids, origin rows, one table a kind."""

from collections.abc import Mapping
from datetime import date
from hashlib import sha256

import polars as pl

from domatia.model import Batch, SourceFile
from domatia.model.identity import content_hash, named_id

DAY = date(2024, 3, 5)


def plant_id(study: bytes, key: str) -> bytes:
    """Name a plant by its key."""
    return named_id(study, "plant", key)


def visit_id(study: bytes, key: str) -> bytes:
    """Name a plant's visit by the plant's key."""
    return named_id(study, "visit", key)


def visits(study: bytes, heights: Mapping[str, float | None] | list[tuple[str, float | None]]) -> pl.DataFrame:
    """Make one visit a key, with its height."""
    pairs = list(heights.items()) if isinstance(heights, Mapping) else heights
    rows = [
        {
            "record_id": named_id(study, "visit", key, content_hash((key, height))),
            "subject_id": visit_id(study, key),
            "origin_row": number,
            "origin_hash": content_hash((key, height)),
            "plant": plant_id(study, key),
            "when_earliest": DAY,
            "when_latest": DAY,
            "status": "alive",
            "height_cm": height,
        }
        for number, (key, height) in enumerate(pairs, start=2)
    ]
    types = {"origin_hash": pl.Binary, "height_cm": pl.Float64, "record_id": pl.Binary, "subject_id": pl.Binary}
    return pl.DataFrame(rows, schema_overrides=types) if rows else pl.DataFrame(schema=types)


def file_batch(
    study: bytes, heights: Mapping[str, float | None] | list[tuple[str, float | None]], name: str = "census.csv"
) -> Batch:
    """Make the batch of one file of visits."""
    text = repr(heights).encode()
    source = SourceFile(name, sha256(text).hexdigest(), len(text))
    return Batch({"visit": visits(study, heights)}, source=source, mapping="key = plant", author="Ana", why="census")


def heights_of(table: pl.DataFrame) -> dict[bytes, float | None]:
    """Give the height by visit of a table of visits."""
    return dict(zip(table["subject_id"].to_list(), table["height_cm"].to_list(), strict=True))
