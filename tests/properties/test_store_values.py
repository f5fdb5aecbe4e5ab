"""Every value that a field can hold comes back as it went in, from both databases."""

from collections.abc import Iterator
from datetime import date

import polars as pl
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from domatia.model import Batch
from domatia.model.identity import content_hash
from domatia.model.tables import body_schema, table_schema
from domatia.store import OpenStudy, body_hashes, create_study

TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12)
_BY_TYPE: dict[pl.DataType, st.SearchStrategy[object]] = {
    pl.String(): TEXT,
    pl.Float64(): st.floats(allow_nan=False, allow_infinity=False),
    pl.Int64(): st.integers(-(2**63), 2**63 - 1),
    pl.Boolean(): st.booleans(),
    pl.Binary(): st.binary(max_size=20),
    pl.Date(): st.dates(date(1, 1, 1), date(9999, 12, 31)),
}


def _rows(kind: str) -> st.SearchStrategy[list[dict[str, object]]]:
    columns = {c: st.none() | _BY_TYPE[t] for c, t in body_schema(kind).items()}
    return st.lists(st.fixed_dictionaries(columns), min_size=1, max_size=6)


def _there_and_back(study: OpenStudy, kind: str, rows: list[dict[str, object]], first: int) -> None:
    ids = [content_hash((kind, first, n)) for n in range(len(rows))]
    frame = pl.DataFrame(rows, schema=body_schema(kind)).with_columns(
        pl.Series("record_id", ids, dtype=pl.Binary), pl.Series("subject_id", ids, dtype=pl.Binary)
    )
    study.append(Batch({kind: frame}, author="Ana"))
    found = study.read().table(kind)
    assert dict(found.schema) == dict(table_schema(kind))
    mine = found.filter(pl.col("record_id").is_in(pl.Series(ids).implode()))
    columns = ["record_id", *body_schema(kind)]
    assert mine.select(columns).sort("record_id").equals(frame.select(columns).sort("record_id"), null_equal=True)


@pytest.fixture
def study(place: str) -> Iterator[OpenStudy]:
    """Make one study for all examples of a test; each example writes records of its own."""
    with create_study(place, "Ridge", profile_text="") as made:
        yield made


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_values_come_back(study: OpenStudy, data: st.DataObject) -> None:
    """Text with quotes, line ends and signs of any script, numbers, days, yes and no, bytes and blanks survive."""
    kind = data.draw(st.sampled_from(["visit", "trial", "quantity", "permit", "attachment"]))
    _there_and_back(study, kind, data.draw(_rows(kind)), study.last_seq())


@given(rows=_rows("visit"))
@example(rows=[{**dict.fromkeys(body_schema("visit")), "note": "\\."}])
def test_the_hash_of_many_is_the_hash_of_each(rows: list[dict[str, object]]) -> None:
    """Hashing a table gives, row by row, the model's hash over names and values that are there."""
    frame = pl.DataFrame(rows, schema=body_schema("visit"))
    single = [content_hash([p for c in sorted(r) if r[c] is not None for p in (c, r[c])]) for r in rows]
    assert body_hashes("visit", frame) == single
