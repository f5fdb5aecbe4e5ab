"""Small tables of text for the tests of this room, and a short way to bring one in."""

import csv
import io
from collections.abc import Sequence
from hashlib import sha256

import polars as pl

from domatia.intake.brought import Brought, bring_in
from domatia.intake.mapping_parse import parse_mapping
from domatia.intake.text_table import TextTable, unique_header
from domatia.model import Batch, Profile, StudyData

STUDY = bytes(range(16))
PROFILE = Profile()


def table(text: str, name: str = "field.csv", sheet: str = "", first_row: int = 2) -> TextTable:
    """Make a table of text from comma-separated lines."""
    lines = list(csv.reader(io.StringIO(text.strip("\n"))))
    header = unique_header(lines[0])
    rows = pl.DataFrame(lines[1:], schema=dict.fromkeys(header, pl.String), orient="row")
    numbers = pl.Series(range(first_row, first_row + rows.height), dtype=pl.Int64)
    return TextTable(name, sheet, sha256(text.encode()).hexdigest(), len(text), header, tuple(lines[0]), rows, numbers)


def bring(text: str, mapping: str, known: StudyData | None = None, name: str = "field.csv") -> Brought:
    """Bring a small table in."""
    return bring_in([table(text, name)], parse_mapping(mapping), STUDY, PROFILE, known)


def study_of(*batches: Batch, on: StudyData | None = None) -> StudyData:
    """Make a study that holds the records of some batches, beside those of another study."""
    tables: dict[str, pl.DataFrame] = dict(on.tables) if on is not None else {}
    for batch in batches:
        for kind, frame in batch.tables.items():
            plain = frame.drop("origin_hash")
            tables[kind] = pl.concat([tables[kind], plain]) if kind in tables else plain
    return StudyData(STUDY, "study", PROFILE, tables)


def without_origin(brought: Brought) -> dict[str, list[tuple[object, ...]]]:
    """Give the records without the rows they stand in, sorted."""
    hidden = {"origin_row", "origin_hash", "origin_file"}
    found: dict[str, list[tuple[object, ...]]] = {}
    for kind, frame in brought.batch.tables.items():
        found[kind] = sorted(frame.drop(hidden & set(frame.columns)).rows(), key=repr)
    return found


def codes(brought: Brought) -> Sequence[str]:
    """Give the codes of the findings, sorted."""
    return sorted(f.code for f in brought.findings)
