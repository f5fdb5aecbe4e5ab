"""The brood question: zeros and blanks, limits of the family, ants seen before, little data."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from domatia.histories import broods as history
from domatia.histories.broods import broods
from domatia.lifecycle import DEFAULT, observe
from domatia.model import Answer, Ask, StudyData, WrongUse
from domatia.questions import answer, brood

ASK = Ask(only_effects=True)


@pytest.fixture(scope="module")
def study() -> StudyData:
    """Simulate a study of twelve blocks with its broods."""
    return observe(DEFAULT.sized(12, 60), 4, questions=("brood",))


def with_broods(data: StudyData, rows: pl.DataFrame) -> StudyData:
    """Give the study with other broods."""
    return replace(data, tables={**data.tables, "brood": rows})


def changed(data: StudyData, **columns: pl.Expr) -> StudyData:
    """Give the study with other values of its broods."""
    return with_broods(data, data.table("brood").with_columns(**columns))


def values(a: Answer) -> dict[tuple[str, ...], float]:
    """Give the estimates by name, groups and place."""
    return {(e.name, e.of, e.against, e.where): e.estimate for e in a.effects}


def codes(a: Answer) -> set[str]:
    """Name the doubts."""
    return {d.code for d in a.doubts}


def test_the_answer_holds_the_truth_of_the_layer(study: StudyData) -> None:
    """Matching less than in proportion, crowding beyond contest, fewer eggs with ants, more where ants were removed."""
    found = answer("brood", study, Ask())
    by = {(e.name, e.where): e for e in reversed(found.effects)}
    assert by["match_exponent", "broods with eggs"].main
    assert by["match_exponent", "broods with eggs"].high < 1.0
    assert by["crowding_exponent", "all broods"].low > 1.0
    assert by["eggs_ratio", "as occupied"].high < 1.0
    assert by["eggs_ratio", "as assigned"].low > 1.0
    assert "less than in proportion" in found.sentence
    assert found.chart is not None
    assert set(found.tables) == {"crowding_curve", "crowding_seen", "forms", "best_brood", "eggs"}


@pytest.mark.parametrize(("high", "said"), [(2.0, False), (8.0, True), (np.inf, True)])
def test_a_wide_interval_that_holds_contest_does_not_settle_on_it(study: StudyData, high: float, said: bool) -> None:
    """An exponent of which much larger values are possible too says that scramble is not ruled out."""
    found = brood.estimate(study, ASK, np.random.default_rng(1))
    wide = [replace(e, low=0.8, high=high) if e.name == "crowding_exponent" else e for e in found.effects]
    text = brood.sentence(replace(found, effects=tuple(wide)), ())
    assert "which agrees with contest (1)" in text
    assert ("scramble is not ruled out either" in text) == said


def test_no_effect_and_harm_come_out_as_such() -> None:
    """Ants that the enemy does not mind, and ants that draw it."""
    spec = DEFAULT.sized(12, 60)
    nothing = answer("brood", observe(replace(spec, help=0.0), 2, questions=("brood",)), ASK)
    harm = answer("brood", observe(replace(spec, help=-1.0), 2, questions=("brood",)), ASK)
    ratio, harmed = (next(e for e in a.effects if e.name == "eggs_ratio") for a in (nothing, harm))
    assert ratio.low < 1 < ratio.high
    assert "no difference being shown" in nothing.sentence
    assert harmed.low > 1


def test_rows_in_another_order_change_nothing(study: StudyData) -> None:
    """To the last digits."""
    rows = study.table("brood")
    order = np.random.default_rng(3).permutation(rows.height).tolist()
    one, again = answer("brood", study, ASK), answer("brood", with_broods(study, rows[order]), ASK)
    assert list(values(again).values()) == pytest.approx(list(values(one).values()), rel=1e-12)


def test_plants_without_eggs_are_data_and_blanks_are_not(study: StudyData) -> None:
    """Leaving out the noughts changes the eggs a plant; turning them into blanks does the same, and is doubted."""
    zero = pl.col("eggs") == 0
    whole = values(answer("brood", study, ASK))
    without = answer("brood", with_broods(study, study.table("brood").filter(~zero.fill_null(False))), ASK)
    blank = answer("brood", changed(study, eggs=pl.when(~zero).then("eggs"), larvae=pl.when(~zero).then("larvae")), ASK)
    key = ("eggs_ratio", history.DEFENDED, history.EMPTY, "as occupied")
    assert abs(np.log(values(without)[key] / whole[key])) > 0.2
    assert values(blank)[key] == pytest.approx(values(without)[key], rel=1e-9)
    assert "no_zeros" in codes(without)
    assert not any(e.name == "laid_odds_ratio" for e in without.effects)


def test_total_failure_past_capacity_comes_out_as_such(study: StudyData) -> None:
    """No survivor past five larvae for each 100 cm2: no upper end of the exponent."""
    density = pl.col("larvae") / pl.col("leaf_area_cm2") * 100
    data = changed(
        study, survivors=pl.when(density < 5).then((0.7 * pl.col("larvae")).round().cast(pl.Int64)).otherwise(0)
    )
    found = answer("brood", data, Ask())
    exponent = next(e for e in found.effects if e.name == "crowding_exponent")
    assert exponent.high == np.inf
    assert exponent.low > 5
    assert "no_upper_end" in codes(found)
    forms = found.tables["forms"].sort("log_likelihood", descending=True)
    assert forms.filter(pl.col("form").str.contains("contest"))["below_the_best"][0] < -10
    assert forms["form"][0] in ("exponent free", "total failure past capacity")


def test_no_crowding_and_rising_survival_are_possible_answers(study: StudyData) -> None:
    """Half of each brood surviving shows no crowding; survival that rises with density is doubted."""
    rng = np.random.default_rng(1)
    rows = study.table("brood")
    larvae = rows["larvae"].fill_null(0).to_numpy()
    half = pl.Series(rng.binomial(larvae, 0.5))
    found = answer("brood", changed(study, survivors=pl.lit(half)), Ask())
    assert not any(e.name == "crowding_exponent" for e in found.effects)
    assert "No crowding was shown" in found.sentence
    rises = pl.Series(rng.binomial(larvae, np.minimum(larvae / 40.0, 1.0)))
    assert "rising" in codes(answer("brood", changed(study, survivors=pl.lit(rises)), ASK))


def test_broods_matched_in_proportion_or_not_at_all(study: StudyData) -> None:
    """Eggs of a twentieth of the leaf area have exponent 1; eggs that ignore it have an interval around nought."""
    laid = pl.col("eggs") > 0
    fit = pl.when(laid).then((pl.col("leaf_area_cm2") / 20).ceil().cast(pl.Int64)).otherwise("eggs")
    found = answer("brood", changed(study, eggs=fit), ASK)
    assert values(found)["match_exponent", "brood size", "leaf area", "broods with eggs"] == pytest.approx(
        1.0, abs=0.05
    )
    rng = np.random.default_rng(7)
    any_ = pl.Series(rng.integers(1, 30, study.table("brood").height))
    found = answer("brood", changed(study, eggs=pl.when(laid).then(pl.lit(any_)).otherwise("eggs")), ASK)
    assert "No matching was shown" in found.sentence


def test_ants_are_those_seen_at_or_before_the_brood(study: StudyData) -> None:
    """Looks after the brood are not used: without the looks before it, the ants are not known."""
    first = study.table("brood")["when_earliest"].min()
    late = study.table("visit").filter(pl.col("when_earliest") > pl.lit(first))
    early = replace(study, tables={**study.tables, "visit": late})
    found = broods(early).table
    dates = study.table("brood").select("record_id", "when_earliest")
    at_first = found.join(dates, on="record_id").filter(pl.col("when_earliest") == pl.lit(first))
    assert set(at_first["ants"]) == {history.NOT_KNOWN}
    assert set(broods(study).table["ants"]) >= {history.DEFENDED, history.EMPTY, history.OTHER_ANT}


def test_other_enemies_and_impossible_broods_are_left_out_by_reason(study: StudyData) -> None:
    """The rarer enemy, more survivors than larvae, nothing counted, and plants that are gone."""
    rows = study.table("brood").with_row_index("i")
    data = with_broods(
        study,
        rows.with_columns(
            survivors=pl.when(pl.col("i") == 0).then(pl.col("larvae").fill_null(0) + 1).otherwise("survivors"),
            larvae=pl.when(pl.col("i") == 1).then(None).otherwise(pl.col("larvae").fill_null(0)),
            eggs=pl.when(pl.col("i") == 1).then(None).otherwise("eggs"),
            plant=pl.when(pl.col("i") == 2).then(pl.lit(b"nobody")).otherwise("plant"),
            enemy=pl.when(pl.col("i") < 3).then(pl.lit("notch-wing leaf beetle")).otherwise("enemy"),
        ).drop("i"),
    )
    out = answer("brood", data, ASK).rows.left_out
    assert {history.IMPOSSIBLE, history.NOTHING, history.STRANGER, history.OTHER_ENEMY} == set(out)
    assert len(out[history.IMPOSSIBLE]) == len(out[history.NOTHING]) == len(out[history.STRANGER]) == 1


ODD: dict[str, Callable[[StudyData], StudyData]] = {
    "none": lambda d: with_broods(d, d.table("brood").clear()),
    "one": lambda d: with_broods(d, d.table("brood").head(1)),
    "few": lambda d: with_broods(d, d.table("brood").head(30)),
    "no eggs": lambda d: changed(d, eggs=pl.lit(0), larvae=pl.lit(0), survivors=pl.lit(0)),
    "all dead": lambda d: changed(d, survivors=pl.lit(0)),
    "all alive": lambda d: changed(d, survivors=pl.col("larvae")),
    "no area": lambda d: changed(d, leaf_area_cm2=pl.lit(None, pl.Float64)),
    "one area": lambda d: changed(d, leaf_area_cm2=pl.lit(200.0)),
    "no dates": lambda d: changed(d, when_earliest=pl.lit(None, pl.Date), when_latest=pl.lit(None, pl.Date)),
    "no ants": lambda d: replace(d, tables={**d.tables, "occupancy": d.table("occupancy").clear()}),
    "no treatments": lambda d: replace(d, tables={**d.tables, "assignment": d.table("assignment").clear()}),
    "one block": lambda d: replace(
        d,
        tables={
            **d.tables,
            "plant": d.table("plant").with_columns(place=pl.col("place").first()),
            "assignment": d.table("assignment").with_columns(block=pl.col("block").first()),
        },
    ),
}


@pytest.mark.parametrize("odd", ODD)
def test_odd_broods_answer_or_say_too_little(odd: str, study: StudyData) -> None:
    """No crash and no nan; a sentence in any case."""
    found = answer("brood", ODD[odd](study), Ask())
    assert found.sentence
    assert found.answered == bool(found.effects)
    for e in found.effects:
        assert e.low <= e.estimate <= e.high, e
    if odd in ("none", "one"):
        assert "Too little to answer" in found.sentence


def test_fields_to_compare_by_replace_the_treatments(study: StudyData) -> None:
    """--by gives ratios between habitats; --adjust has no effect and says so; unknown fields are refused."""
    found = answer("brood", study, replace(ASK, by="habitat", adjust=("habitat",)))
    assert any(e.where == "by habitat" for e in found.effects)
    assert "not_used" in codes(found)
    with pytest.raises(WrongUse, match="no such field"):
        answer("brood", study, replace(ASK, by="habitatt"))


@pytest.mark.slow
def test_many_broods_are_answered(study: StudyData) -> None:
    """Some 10^5 broods of twelve blocks: about the same estimates."""
    rows = study.table("brood")
    many = pl.concat([rows] * (100_000 // rows.height + 1))
    ids = pl.Series([i.to_bytes(16, "big") for i in range(many.height)], dtype=pl.Binary)
    found = values(answer("brood", with_broods(study, many.with_columns(record_id=ids, subject_id=ids)), ASK))
    few = values(answer("brood", study, ASK))
    assert {k: found[k] for k in few} == pytest.approx(few, rel=1e-2)
