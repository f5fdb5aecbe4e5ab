"""The damage question on simulated studies: its numbers, its doubts, and what it does with too little."""

from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest

from domatia.lifecycle.observe import observe
from domatia.lifecycle.spec import PRESETS
from domatia.model import Answer, Ask, Effect, StudyData, WrongUse
from domatia.model.profile import DamageClass
from domatia.questions import answer, lacking
from domatia.questions.damage import QUESTION

QUICK = Ask(only_effects=True)
SIX = tuple(
    DamageClass(str(i), low, high)
    for i, (low, high) in enumerate([(0, 0), (0, 6), (6, 12), (12, 25), (25, 50), (50, 100)])
)


@cache
def made(preset: str = "default", blocks: int = 12) -> StudyData:
    """Give a small simulated study."""
    return observe(PRESETS[preset].sized(blocks, 60), 3)


@cache
def whole() -> Answer:
    """Give the full answer on the small default study."""
    return answer("damage", made())


def with_leaves(data: StudyData, leaves: pl.DataFrame) -> StudyData:
    """Give the study with other leaf rows."""
    return replace(data, tables={**data.tables, "leaf": leaves})


def effect(found: Answer, name: str, of: str, where: str = "by fate") -> Effect:
    """Find one effect."""
    return next(e for e in found.effects if e.name == name and e.of == of and e.where == where)


def doubt(found: Answer, code: str) -> str:
    """Give the text of a doubt."""
    return next(d.text for d in found.doubts if d.code == code)


def test_saved_leaf_is_found_and_ordered_by_what_vanished_counts_as() -> None:
    """Removal plants lose more; leaves counted as all eaten give more loss than by fate, all dropped less."""
    found = whole()
    main = found.effects[0]
    assert (main.name, main.of, main.against, main.where) == ("missing_difference_1y", "removal", "sham", "by fate")
    assert main.main
    assert main.low > 0
    lost = [effect(found, "missing_1y", "sham", w).estimate for w in ("all dropped", "by fate", "all eaten")]
    assert lost == sorted(lost)


def test_the_mean_is_that_of_plants_worked_out_by_hand() -> None:
    """Where every leaf is scored on the same days and none vanishes, the difference is that of plain plant means."""
    data = made()
    leaves = data.table("leaf").filter(pl.col("chosen") == "marked")
    first = leaves.filter(pl.col("leaf").cast(pl.Int64) <= 10).unique(["plant", "leaf"], keep="first")
    rng = np.random.default_rng(1)
    first = first.sort("subject_id").with_columns(fate=pl.lit("present"), missing_pct=pl.lit(0.0))
    start = data.table("assignment").select("plant", "treatment", start="start_earliest")
    first = first.join(start.select("plant", "start"), on="plant").with_columns(
        when_earliest=pl.col("start"), when_latest=pl.col("start")
    )
    score = pl.Series(rng.integers(0, 90, first.height).astype(float))
    near = first.with_columns(
        record_id=pl.col("record_id") + b"1", subject_id=pl.col("subject_id") + b"1", missing_pct=score,
        when_earliest=pl.col("start") + pl.duration(days=365), when_latest=pl.col("start") + pl.duration(days=365),
    )  # fmt: skip
    later = near.with_columns(
        record_id=pl.col("record_id") + b"2", subject_id=pl.col("subject_id") + b"2",
        when_earliest=pl.col("start") + pl.duration(days=366), when_latest=pl.col("start") + pl.duration(days=366),
    )  # fmt: skip
    made_up = pl.concat([first, near, later]).drop("start")
    found = answer("damage", with_leaves(data, made_up), QUICK)
    names = data.table("treatment").select("name", treatment="subject_id")
    hand = near.group_by("plant").agg(pl.col("missing_pct").mean()).join(start, on="plant").join(names, on="treatment")
    means = dict(hand.group_by("name").agg(pl.col("missing_pct").mean()).iter_rows())
    assert found.effects[0].estimate == pytest.approx(means["removal"] - means["sham"])
    ratio = effect(found, "missing_log_ratio_1y", "removal").estimate
    assert ratio == pytest.approx(np.log(means["removal"] / means["sham"]))
    rise = effect(found, "missing_difference_per_month", "removal").estimate
    assert rise == pytest.approx((means["removal"] - means["sham"]) / 12)


def test_the_mixed_model_agrees_with_the_plant_means() -> None:
    """Of the two ways of averaging over plants each lies in the other's interval, for difference and ratio."""
    found = whole()
    for name in ("missing_difference_1y", "missing_log_ratio_1y"):
        plain, model = effect(found, name, "removal"), effect(found, f"{name}_model", "removal")
        assert model.low < plain.estimate < model.high
        assert plain.low < model.estimate < plain.high


def test_classes_give_nearly_what_percentages_give() -> None:
    """The same scores put into six classes change the difference by less than its standard error, also in the model."""
    data = made()
    label = pl.lit("5")
    for c in SIX[:-1][::-1]:
        label = pl.when(pl.col("missing_pct") <= c.high_pct).then(pl.lit(c.label)).otherwise(label)
    leaves = data.table("leaf").with_columns(
        damage_class=pl.when(pl.col("missing_pct").is_not_null()).then(label),
        class_table=pl.lit("six classes"),
        missing_pct=pl.lit(None, pl.Float64),
    )
    profile = replace(data.profile, damage_classes={"six classes": SIX})
    found = answer("damage", replace(with_leaves(data, leaves), profile=profile), QUICK)
    for name in ("missing_difference_1y", "missing_difference_1y_model"):
        one, other = effect(whole(), name, "removal"), effect(found, name, "removal")
        assert one.standard_error is not None
        assert abs(one.estimate - other.estimate) < one.standard_error
    assert "6 classes" in doubt(found, "classes")


def test_leaves_scored_once_understate() -> None:
    """Marked leaves had lost more than leaves scored once show, and the answer says by how much."""
    found = whole()
    ratio = effect(found, "marked_to_standing_ratio", "removal")
    marked = effect(found, "missing_1y", "removal").estimate
    standing = effect(found, "standing_missing", "removal", "leaves scored once").estimate
    assert ratio.estimate == pytest.approx(marked / standing)
    assert ratio.low > 1
    assert "show less than marked leaves" in doubt(found, "scored_once")


def test_without_marked_leaves_it_answers_from_those_scored_once_and_warns() -> None:
    """Only random leaves: the answer is theirs, with the warning that they understate."""
    data = made()
    once = data.table("leaf").filter(pl.col("chosen") == "random")
    found = answer("damage", with_leaves(data, once), Ask())
    assert found.effects[0].name == "standing_difference"
    assert {d.severity for d in found.doubts if d.code == "scored_once"} == {"warning"}
    assert found.chart is None


def test_nothing_scored_after_a_year_is_answered_for_the_time_followed() -> None:
    """Leaves followed half a year give a difference after so many months, not after a year."""
    data = made()
    early = data.table("leaf").filter(pl.col("chosen") == "marked", pl.col("when_earliest") < pl.date(2021, 10, 15))
    found = answer("damage", with_leaves(data, early), QUICK)
    assert found.effects[0].name == "missing_difference"
    assert "months" in found.effects[0].where
    assert any(d.code == "followed_short" for d in found.doubts)


def test_too_little_is_an_answer() -> None:
    """With the leaves of six plants it says what is wanted and gives no number."""
    data = made()
    few = data.table("leaf")["plant"].unique().sort().head(6).to_list()
    found = answer("damage", with_leaves(data, data.table("leaf").filter(pl.col("plant").is_in(few))))
    assert not found.answered
    assert found.effects == ()
    assert "At least 10 plants" in found.sentence


def test_a_study_without_leaf_scores_lacks_them() -> None:
    """The question says that it needs leaf scores."""
    data = made()
    assert "leaves scored" in lacking(QUESTION, with_leaves(data, data.table("leaf").head(0)))[0]


def test_no_effect_and_harm_come_out_as_such() -> None:
    """Where ants do nothing no difference is shown; where they do harm, removal saves leaf."""
    none = answer("damage", made("no_effect"), QUICK)
    assert none.effects[0].low < 0 < none.effects[0].high
    assert none.sentence.startswith("No difference")
    harm = answer("damage", made("harm", 24), QUICK)
    assert harm.effects[0].high < 0
    assert " less of their leaf missing" in harm.sentence


def test_scores_in_the_residue_time_are_told_and_left_out_beside() -> None:
    """An insecticide five days before the scores is a warning with the count and the difference without them."""
    data = made()
    acts = data.table("leaf").filter(pl.col("chosen") == "marked", pl.col("when_earliest") > pl.date(2022, 1, 15))
    acts = acts.unique("plant", keep="first", maintain_order=True).head(30)
    days = pl.duration(days=5)
    sprayed = data.table("intervention").head(30).with_columns(
        acts["plant"], kind=pl.lit("insecticide"), when_earliest=acts["when_earliest"] - days,
        when_latest=acts["when_latest"] - days,
        record_id=pl.col("record_id") + b"x", subject_id=pl.col("subject_id") + b"x",
    )  # fmt: skip
    tables = {**data.tables, "intervention": pl.concat([data.table("intervention"), sprayed])}
    found = answer("damage", replace(data, tables=tables), QUICK)
    assert "within 14 days after an insecticide" in doubt(found, "residue")
    assert any("without leaves scored within 14 days" in e.where for e in found.effects)


def test_observers_who_know_the_treatment_or_are_off_are_doubts() -> None:
    """Scores not made blind are a warning; calibration leaves give the measured bias."""
    data = made()
    assert "knew the plant's treatment" in doubt(whole(), "not_blind")
    test = data.table("leaf").head(20).with_columns(
        record_id=pl.col("record_id") + b"t", subject_id=pl.col("subject_id") + b"t", leaf=pl.lit("T"),
        chosen=pl.lit("random"), missing_pct=pl.lit(25.0), true_missing_pct=pl.lit(20.0), fate=pl.lit("present"),
    )  # fmt: skip
    found = answer("damage", with_leaves(data, pl.concat([data.table("leaf"), test])), QUICK)
    assert "+5.0 percentage points" in doubt(found, "calibration")
    assert found.effects[0].estimate == pytest.approx(whole().effects[0].estimate)


def test_as_occupied_stands_with_its_doubt() -> None:
    """Plants held by a defending ant at marking lose less, and vigour is named as another cause."""
    found = whole()
    held = next(e for e in found.effects if e.name == "missing_difference_1y_as_occupied")
    assert held.high < 0
    assert "vigorous" in doubt(found, "vigorous_plants")


def test_rows_used_and_left_out_are_all_leaf_rows_of_the_study() -> None:
    """Every leaf row is used or left out for one reason, never both."""
    data, rows = made(), whole().rows
    out = [i for ids in rows.left_out.values() for i in ids]
    used = list(rows.used["leaf"])
    leaves = set(data.table("leaf")["record_id"].to_list())
    out = [i for i in out if i in leaves]
    assert sorted(used + out) == sorted(leaves)


def test_row_order_changes_nothing() -> None:
    """The leaf rows shuffled give the same effects."""
    data = made()
    shuffled = data.table("leaf").sample(fraction=1.0, shuffle=True, seed=5)
    assert answer("damage", with_leaves(data, shuffled), QUICK).effects == answer("damage", data, QUICK).effects


def test_other_fields_can_be_compared_and_adjusted_for() -> None:
    """Habitats can be contrasted, and habitat as covariate hardly moves a contrast made within blocks."""
    by = answer("damage", made(), Ask(by="habitat", only_effects=True))
    assert by.effects[0].name == "missing_difference_1y"
    assert {e.of for e in by.effects} & {"pasture", "forest edge"}
    adjusted = answer("damage", made(), Ask(adjust=("habitat",), only_effects=True))
    main = whole().effects[0]
    assert main.standard_error is not None
    assert abs(adjusted.effects[0].estimate - main.estimate) < main.standard_error
    with pytest.raises(WrongUse, match="no such field"):
        answer("damage", made(), Ask(by="colour"))


def test_the_figure_and_tables_are_whole() -> None:
    """The curve starts near nothing missing and ends at the means told."""
    found = whole()
    curve = found.tables["curve"].filter(pl.col("group") == "removal").sort("x")
    assert curve["y"][-1] == pytest.approx(effect(found, "missing_1y", "removal").estimate)
    assert curve["y"][0] < 3
    assert found.chart is not None
    gone = found.tables["vanished"]
    assert (gone["marked"] == gone["still_there"] + gone["eaten"] + gone["dropped"] + gone["unknown"]).all()


def test_scores_that_never_vary_are_no_proof_of_no_difference() -> None:
    """Where every leaf was scored 0 % the empty interval is called meaningless."""
    data = made()
    untouched = pl.when(pl.col("missing_pct").is_not_null()).then(0.0)
    leaves = data.table("leaf").with_columns(missing_pct=untouched).filter(pl.col("fate") == "present")
    found = answer("damage", with_leaves(data, leaves), QUICK)
    assert "means nothing" in doubt(found, "no_variation")
