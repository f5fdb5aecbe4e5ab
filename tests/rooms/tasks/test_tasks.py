"""Tasks as Python functions: a study for a notebook, JSON as it is promised, typed values, the demo's comparison."""

import json
import math
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.rooms.cli.small_study import made

import domatia
from domatia.lifecycle import DEFAULT, TrueValue, observe
from domatia.model import Ask, CannotOpen, WrongUse, field
from domatia.questions import answer
from domatia.tasks.as_json import answer_as_dict, as_text, number, table_as_list
from domatia.tasks.correcting import typed_value
from domatia.tasks.demo import compare_with_truth, truth_table
from domatia.tasks.reporting import askable

SHAPE = {
    "question": str, "tool": str, "seed": int, "effects": list, "tables": dict, "counts": dict, "doubts": list,
    "sentence": str, "method": dict,
}  # fmt: skip
EFFECT = {"name", "of", "against", "where", "estimate", "low", "high", "level", "unit", "standard_error"}


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a small study; no test here writes to it."""
    return made(tmp_path_factory.mktemp("tasks"))


def test_a_study_in_a_notebook(study: Path) -> None:
    """Open, look, ask: objects that show themselves and give frames."""
    opened = domatia.open_study(str(study))
    assert "The ridge (invented)" in repr(opened)
    assert opened.data().table("visit").height == 7
    assert {q.code for q in opened.questions()} >= {"survival", "growth", "damage", "founding", "takeover"}
    found = opened.answer("survival", by="place_name")
    assert found.sentence.startswith("Too little")
    assert found.sentence in repr(found)
    assert "<b>Too little" in found._repr_html_()
    assert found.effects.is_empty()
    assert opened.life("N1/102").heading.endswith("tag 102, in N1, block N1")
    assert len(opened.check().open) == 1


def test_opening_what_is_not_there_says_what_to_do(tmp_path: Path) -> None:
    """No study is made by opening."""
    with pytest.raises(CannotOpen, match="domatia new"):
        domatia.open_study(str(tmp_path / "none.domatia"))
    assert not (tmp_path / "none.domatia").exists()


def test_an_answer_as_json_has_the_promised_shape() -> None:
    """Keys and kinds as promised; numbers are finite or the words inf and -inf; rows only on request."""
    found = answer("survival", observe(DEFAULT.sized(8, 24), 7), Ask(draws=2))
    plain = json.loads(as_text(answer_as_dict(found)))
    assert {k: type(plain[k]) for k in SHAPE} == SHAPE
    assert all(set(e) == EFFECT for e in plain["effects"])
    assert set(plain["counts"]) == {"plants", "blocks", "visits", "used", "left_out"}
    assert all(set(d) == {"code", "severity", "text"} for d in plain["doubts"])
    assert set(plain["method"]) == {"text", "sources"}
    assert "rows" not in plain
    rows = answer_as_dict(found, with_rows=True)["rows"]
    assert sum(len(v) for v in rows["used"].values()) == plain["counts"]["used"]


def test_json_holds_no_number_that_json_lacks() -> None:
    """Infinity is a word, nan a null, bytes are hexadecimal."""
    assert [number(v) for v in (1.5, math.inf, -math.inf)] == [1.5, "inf", "-inf"]
    rows = table_as_list(pl.DataFrame({"a": [math.nan, math.inf], "b": [b"\x01", None]}))
    assert rows == [{"a": None, "b": "01"}, {"a": "inf", "b": None}]


@given(st.integers(0, 10**5))
def test_whole_numbers_are_typed_back(value: int) -> None:
    """Digits with blanks around them are the number."""
    assert typed_value(field("visit", "shoots"), f" {value} ") == value


@pytest.mark.parametrize(
    ("kind", "column", "text", "value"),
    [
        ("occupancy", "looked", "Yes", True),
        ("occupancy", "looked", "no", False),
        ("visit", "height_cm", "48.5", 48.5),
        ("visit", "note", " kept ", "kept"),
        ("visit", "note", "  ", None),
    ],
)
def test_typed_values_become_values_of_the_field(kind: str, column: str, text: str, value: object) -> None:
    """As the field's type says; an empty text empties it."""
    assert typed_value(field(kind, column), text) == value


@pytest.mark.parametrize(
    ("column", "text", "match"),
    [
        ("height_cm", "4,5", "does not fit visit.height_cm.*a number with a decimal point"),
        ("height_cm", "-1", "visit.height_cm cannot be -1.*0 to 15000"),
        ("openness_pct", "101", "visit.openness_pct cannot be 101.*0 to 100"),
    ],
)
def test_what_does_not_fit_says_what_does(column: str, text: str, match: str) -> None:
    """A comma is no decimal point here; impossible numbers are refused with their limits."""
    with pytest.raises(WrongUse, match=match):
        typed_value(field("visit", column), text)


def test_only_questions_that_exist_can_be_wanted() -> None:
    """A report of a misspelt question is wrong use, not an empty report."""
    data = observe(DEFAULT.sized(2, 6), 1)
    with pytest.raises(WrongUse, match="no question 'growht'"):
        askable(data, Ask(), ("growht",))
    assert askable(data, Ask(), ("growth",)) == (["growth"], {})


def test_answers_are_held_against_the_truth() -> None:
    """An effect whose interval holds the truth is held; one without a truth is not listed."""
    found = answer("survival", observe(DEFAULT.sized(8, 24), 7), Ask(draws=2, only_effects=True))
    e = found.effects[0]
    key = ("survival", e.name, e.of, e.against, e.where)
    for value, held in ((e.estimate, True), (e.high * 2, False)):
        true = TrueValue(*key, value=value, unit=e.unit)
        table = compare_with_truth([found], {"/".join(key): true})
        assert table.height == 1
        assert table["held"].to_list() == [held]
        assert truth_table({"/".join(key): true}).height == 1
