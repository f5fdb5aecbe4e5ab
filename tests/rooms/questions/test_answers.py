"""What holds for the answer of every question, on a small simulated study."""

import math
from dataclasses import replace
from functools import cache

import polars as pl
import pytest
from tests.rooms.histories.made_study import MadeStudy, shuffled

from domatia.lifecycle import DEFAULT, observe
from domatia.model import Answer, Ask, Finding, StudyData, Where, WrongUse
from domatia.questions import ALL, answer, lacking, question
from domatia.tasks.as_json import answer_as_dict, as_text

SMALL = replace(DEFAULT.sized(8, 24), years=2.0)
ASK = Ask(draws=5)
CODES = [q.code for q in ALL]
every = pytest.mark.parametrize("code", CODES)
slow_takeover = pytest.mark.parametrize(
    "code", [c if c != "takeover" else pytest.param(c, marks=pytest.mark.slow) for c in CODES]
)


@cache
def study() -> StudyData:
    """Simulate the study once."""
    return observe(SMALL, 7)


@cache
def told(code: str) -> Answer:
    """Ask it once."""
    return answer(code, study(), ASK)


def written(a: Answer) -> str:
    """Write an answer as JSON, with its rows."""
    return as_text(answer_as_dict(a, with_rows=True))


@slow_takeover
def test_row_order_leaves_the_answer_byte_equal(code: str) -> None:
    """All tables' rows in another order: the same bytes, rows used and left out included."""
    assert written(answer(code, shuffled(study(), 5), ASK)) == written(told(code))


@slow_takeover
def test_the_seed_repeats_exactly(code: str) -> None:
    """The same seed gives the same bytes."""
    assert written(answer(code, study(), ASK)) == written(told(code))


def test_another_seed_moves_bands_but_no_effect() -> None:
    """Bands of survival curves are drawn at random; effects have formulas."""
    other = answer("survival", study(), replace(ASK, seed=2))
    assert other.effects == told("survival").effects
    assert not other.tables["curve"].equals(told("survival").tables["curve"])


@every
def test_every_effect_is_a_number_with_an_interval_around_it(code: str) -> None:
    """No nan anywhere; a bound may be infinite; one effect is the main one."""
    effects = told(code).effects
    assert effects
    for e in effects:
        assert not any(math.isnan(v) for v in (e.estimate, e.low, e.high)), e
        assert math.isfinite(e.estimate), e
        assert e.low <= e.estimate <= e.high, e
        assert e.standard_error is None or not math.isnan(e.standard_error), e
    assert sum(e.main for e in effects) == 1


@every
def test_only_effects_leaves_the_effects_as_they_are(code: str) -> None:
    """What simulations ask gives the same numbers without the tables beside them."""
    assert answer(code, study(), replace(ASK, only_effects=True)).effects == told(code).effects


@every
def test_rows_are_records_of_the_study(code: str) -> None:
    """Used and left out are ids of records, none of them both used and left out."""
    ids = {i for t in study().tables.values() for i in t["record_id"].to_list()}
    rows = told(code).rows
    used = {i for some in rows.used.values() for i in some}
    assert used
    assert used <= ids
    assert {i for some in rows.left_out.values() for i in some} <= ids
    assert str(rows)
    assert rows.words or (rows.plants > 0 and rows.blocks == 8)


@every
def test_the_sentence_and_doubts_are_whole_sentences(code: str) -> None:
    """A capital at the beginning, a full stop at the end, no placeholder or power of ten in between."""
    a = told(code)
    for text in (a.sentence, *(d.text for d in a.doubts)):
        assert text[0].isupper() or text[0].isdigit(), text
        assert text.endswith("."), text
        assert not any(w in text for w in ("{", "}", "nan", "None", "e-0", "e+0", "inf ")), text


@every
def test_an_empty_study_is_too_little_or_wrong_use(code: str) -> None:
    """Without plants a question is not answered, and says what it lacks."""
    empty = MadeStudy().place("A", level="block").data()
    assert lacking(question(code), empty)
    try:
        found = answer(code, empty, ASK)
    except WrongUse as e:
        assert "--by" in str(e)  # noqa: PT017
        return
    assert not found.answered
    assert found.effects == ()
    assert found.sentence.startswith("Too little to answer")


def few(blocks: int) -> StudyData:
    """Make two treatments in some blocks, plants seen twice, nobody dead."""
    made = MadeStudy().treatment("removal", "removal").treatment("control", "control")
    for b in range(blocks):
        made.place(f"B{b}", level="block")
        for i, t in enumerate(("removal", "control")):
            p = f"{b}.{i}"
            made.plant(p, place=f"B{b}").assign(p, t, "2020-01-01")
            made.visit(p, "2020-01-01", height_cm=50.0, ants="none")
            made.visit(p, "2021-01-01", height_cm=60.0, ants="none")
    return made.data()


@every
def test_too_little_data_is_an_answer(code: str) -> None:
    """Six plants, nobody dead, no ants: no effect, and a sentence with what there is and what is needed."""
    found = answer(code, few(3), ASK)
    assert not found.answered
    assert found.effects == ()
    assert "Too little" in found.sentence
    assert any(c.isdigit() for c in found.sentence)
    assert found.chart is None


def codes(a: Answer) -> set[str]:
    """Give the codes of the doubts."""
    return {d.code for d in a.doubts}


def test_few_blocks_are_a_doubt() -> None:
    """Below 40 blocks it is said, below 8 it is a warning."""
    grades = {b: next(d for d in answer("survival", few(b), ASK).doubts if d.code == "few_blocks") for b in (3, 9)}
    assert grades[3].severity == "warning"
    assert grades[9].severity == "note"
    assert "There are 9 blocks" in grades[9].text


def test_no_sham_and_no_draw_are_doubts() -> None:
    """Removal against control without a sham or a recorded draw says so; with both it does not."""
    assert {"no_sham", "no_draw"} <= codes(answer("survival", few(3), ASK))
    assert not {"no_sham", "no_draw"} & codes(told("survival"))


def test_a_sham_is_missed_only_where_ants_are_removed() -> None:
    """Where no treatment takes anything off, there is nothing that a sham could stand for."""
    data = few(3)
    fed = data.table("treatment").with_columns(role=pl.lit("other"))
    assert "no_sham" not in codes(answer("survival", replace(data, tables={**data.tables, "treatment": fed}), ASK))


def test_a_field_was_not_drawn() -> None:
    """A contrast by a field is a comparison of what grew there."""
    assert "not_drawn" in codes(answer("survival", study(), Ask(by="habitat", draws=5)))


def test_open_errors_are_quoted_and_notes_are_not() -> None:
    """Errors still open on the rows are counted by check."""
    bad = Finding("tag_flip", "error", (Where(label="x"),), "a", "b", "c")
    with_error = replace(study(), findings=(bad, replace(bad, severity="note", code="digit_heaping")))
    text = next(d.text for d in answer("survival", with_error, ASK).doubts if d.code == "open_findings")
    assert "tag flip (1)" in text
    assert "heaping" not in text
    assert "open_findings" not in codes(told("survival"))


def test_undecided_records_are_a_warning() -> None:
    """Records with two values are left out and counted."""
    two = replace(study(), undecided={"visit": study().table("visit").head(2)})
    doubt = next(d for d in answer("survival", two, ASK).doubts if d.code == "undecided")
    assert (doubt.severity, doubt.text[:9]) == ("warning", "2 records")


def test_lost_plants_are_bounded_both_ways() -> None:
    """The doubt names the plants lost and both ratios of the table."""
    a = told("survival")
    table = a.tables["lost_plants"]
    main = a.effects[0]
    own = table.filter((table["of"] == main.of) & (table["against"] == main.against))
    text = next(d.text for d in a.doubts if d.code == "lost_plants")
    assert f"{own['lost_plants'][0]} plants were not found any more" in text
    assert own.height == 2


def test_stated_beforehand_is_planned_unless_put_otherwise() -> None:
    """Survival was stated with the draw; by another field it was found later."""
    assert told("survival").planned == "planned"
    assert answer("survival", study(), Ask(by="habitat", draws=5)).planned == "found later"


def test_primary_contrast_is_against_sham_and_the_procedure_is_printed() -> None:
    """Removal against sham first; sham against control as the effect of the procedure; pooled only on request."""
    main = told("survival").effects[0]
    assert (main.of, main.against) == ("removal", "sham")
    assert any(e.name == "procedure_hazard_ratio" and e.against == "control" for e in told("survival").effects)
    pooled = answer("survival", study(), replace(ASK, pool=True))
    assert pooled.effects[0].against == "sham and control"


@pytest.mark.parametrize(("seed", "draws", "match"), [(-1, 5, "a seed of 0 or more"), (1, 1, "2 draws or more")])
def test_impossible_seeds_and_draws_are_wrong_use(seed: int, draws: int, match: str) -> None:
    """A negative seed, or one draw, is told before anything is computed."""
    with pytest.raises(WrongUse, match=match):
        answer("survival", study(), Ask(seed=seed, draws=draws))


def test_an_unknown_question_names_near_ones() -> None:
    """Wrong use, with the questions there are."""
    with pytest.raises(WrongUse, match=r"no question 'surviva'.*Did you mean survival\?"):
        answer("surviva", study())
