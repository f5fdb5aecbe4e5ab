"""Trials with intruders: what competes, what stops a watch, what is undefined, and who is answered apart."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest
from tests.rooms.histories.made_study import MadeStudy, shuffled

from domatia.lifecycle import DEFAULT, observe
from domatia.model import Answer, Ask, Effect, StudyData, WrongUse
from domatia.questions import answer

Row = dict[str, object]


def study(held: list[Row], vacant: list[Row], blocks: int = 4) -> MadeStudy:
    """Give a study in which each block has a sham plant with the trials `held` and a removal plant with `vacant`."""
    made = MadeStudy().add("treatment", "sham", {"name": "sham", "role": "sham"})
    made.add("treatment", "removal", {"name": "removal", "role": "removal"})
    for b in range(blocks):
        made.place(f"B{b}", level="block")
        for arm, rows in (("sham", held), ("removal", vacant)):
            plant = f"{arm}{b}"
            made.plant(plant, place=f"B{b}")
            made.add("assignment", plant, {"plant": plant, "treatment": arm, "block": f"B{b}", "start": "2020-01-01"})
            for i, row in enumerate(rows):
                made.add("trial", f"{plant}/{i}", {"plant": plant, "when": "2020-06-01", **row})
    return made


def trial(seconds: float, ended: str | None, **more: object) -> Row:
    """Give one trial."""
    return {"watched_s": seconds, "ended": ended, **more}


def effect(found: Answer, name: str, of: str = "removal", where: str = "") -> Effect:
    """Give the effect of that name."""
    return next(e for e in found.effects if e.name == name and e.of == of and e.where.startswith(where))


UP = trial(600.0, "time up", contacts=0)
OUT = trial(100.0, "excluded", contacts=4, attacks=2, first_contact_s=20.0)


def test_leaving_competes_and_is_no_stopped_watch() -> None:
    """Of four intruders two are excluded and two leave before: half are excluded, not all but nobody who could stay."""
    left = trial(50.0, "intruder left", contacts=0)
    found = answer("intruders", study([OUT, OUT, left, left], [UP] * 4).data())
    assert effect(found, "excluded_share", "sham").estimate == pytest.approx(0.5)
    windy = trial(50.0, "fell by wind", contacts=0)
    other = answer("intruders", study([OUT, OUT, windy, windy], [UP] * 4).data())
    assert effect(other, "excluded_share", "sham").estimate == pytest.approx(1.0)


def test_a_certain_difference_is_told_with_an_honest_interval() -> None:
    """All against none: the interval of the difference does not claim to be of no width."""
    found = answer("intruders", study([OUT] * 3, [UP] * 3).data())
    main = found.effects[0]
    assert (main.name, main.of, main.against, main.main) == ("excluded_difference", "removal", "sham", True)
    assert main.estimate == -1.0
    assert main.low == -1.0
    assert -0.8 < main.high < -0.1
    assert "100 percentage points fewer" in found.sentence


def test_ants_that_do_nothing_come_out_as_no_difference() -> None:
    """Equal trials on both: no difference is claimed."""
    found = answer("intruders", study([OUT, UP, UP], [OUT, UP, UP]).data())
    assert found.sentence.startswith("No difference was shown")
    assert found.effects[0].low < 0 < found.effects[0].high


def test_no_exclusion_at_all_is_an_answer() -> None:
    """Nothing but time up: shares of nought with their upper ends, and no ratio of hazards."""
    found = answer("intruders", study([UP] * 3, [UP] * 3).data())
    assert found.answered
    share = effect(found, "excluded_share", "sham")
    assert (share.estimate, share.low) == (0.0, 0.0)
    assert 0.3 < share.high < 0.8
    assert not [e for e in found.effects if "ratio" in e.name]


def test_attacks_per_contact_are_undefined_without_contact() -> None:
    """A group that was never met has no rate of attacks, and the table holds a blank there, not nought."""
    found = answer("intruders", study([OUT] * 3, [UP] * 3).data())
    rates = {r["group"]: r for r in found.tables["rates"].to_dicts()}
    assert rates["removal"]["attacks_per_contact"] is None
    assert (rates["removal"]["contacts"], rates["removal"]["contacts_per_min"]) == (0, None)
    assert rates["removal"]["minutes"] == pytest.approx(120.0)
    assert rates["sham"]["attacks_per_contact"] == pytest.approx(0.5)
    assert rates["sham"]["contacts_per_min"] == pytest.approx(4 / (100 / 60))
    assert not [e for e in found.effects if e.name.startswith(("attacks", "encounter"))]
    assert any(d.code == "no_contact" and "not nought" in d.text for d in found.doubts)


def test_a_watch_that_wind_stopped_is_not_counted_as_not_excluded_in_any_split() -> None:
    """Half of the watches end by wind before the rest are excluded: all are, by intruder, hour and ant; crude, half."""
    windy = trial(50.0, "fell by wind", contacts=0, intruder="moth", day_part="night")
    out = {**OUT, "intruder": "moth", "day_part": "night"}
    made = study([out, out, windy, windy], [{**UP, "intruder": "moth", "day_part": "night"}] * 4)
    for b in range(4):
        made.visit(f"sham{b}", "2020-05-01", ants="black patrolling").visit(f"removal{b}", "2020-05-01", ants="none")
    found = answer("intruders", made.data())
    outcomes = {r["group"]: r for r in found.tables["outcomes"].to_dicts()}
    assert outcomes["sham"]["crude_share_excluded"] == pytest.approx(0.5)
    for table in ("by_intruder", "by_part_of_day", "by_ant"):
        rows = {r["group"]: r for r in found.tables[table].to_dicts()}
        assert rows["sham"]["share_excluded"] == pytest.approx(1.0)
        assert rows["sham"]["excluded_low"] < 0.9
        assert (rows["removal"]["share_excluded"], rows["removal"]["excluded_low"]) == (0.0, 0.0)
        assert rows["removal"]["excluded_high"] > 0.3
        assert "excluded_of_all" not in rows["sham"]


def test_no_table_gives_an_estimate_without_its_interval() -> None:
    """Rates, responses and splits of an invented study have both ends around each estimate, or are blank."""
    tables = answer("intruders", invented()).tables
    rates = ("contacts_per_min", "attacks_per_contact", "exclusions_per_attack")
    shares = [("share_excluded", "excluded_low", "excluded_high"), ("share_met", "met_low", "met_high")]
    ends = {"by_intruder": shares, "by_part_of_day": shares, "by_ant": shares, "responses": [("share", "low", "high")]}
    ends["rates"] = [(n, f"{n}_low", f"{n}_high") for n in rates]
    for name, columns in ends.items():
        for estimate, low, high in columns:
            told = tables[name].filter(pl.col(estimate).is_not_null())
            assert told.height, (name, estimate)
            assert ((told[low] <= told[estimate]) & (told[estimate] <= told[high]) & (told[low] < told[high])).all()
    assert tables["by_ant"].height > tables["by_ant"]["share_excluded"].count()


def test_rates_that_never_vary_have_no_ends() -> None:
    """Two attacks in four contacts in every trial: half, and nothing that could tell how surely."""
    found = answer("intruders", study([OUT] * 3, [UP] * 3).data())
    sham = {r["group"]: r for r in found.tables["rates"].to_dicts()}["sham"]
    assert (sham["attacks_per_contact"], sham["attacks_per_contact_low"]) == (pytest.approx(0.5), None)


def test_vertebrates_are_answered_apart_and_with_cautions() -> None:
    """Trials with a lizard do not mix with those with insects; ethics and permits are named."""
    lizard = {**OUT, "intruder": "small lizard", "intruder_kind": "vertebrate"}
    flee = trial(30.0, "intruder left", contacts=0, intruder="small lizard", intruder_kind="vertebrate")
    found = answer("intruders", study([OUT, UP, lizard, lizard], [UP, UP, flee, flee]).data())
    insects = effect(found, "excluded_share", "sham", "within")
    reptiles = effect(found, "excluded_share", "sham", "vertebrates")
    assert (insects.estimate, reptiles.estimate) == (0.5, 1.0)
    text = next(d.text for d in found.doubts if d.code == "vertebrates")
    assert "ethics committee" in text
    assert "No permit is on record" in text


def test_trials_before_the_treatment_are_left_out() -> None:
    """A trial from before the first day of the treatment says nothing of it."""
    made = study([OUT] * 2, [UP] * 2)
    made.add("trial", "early", {"plant": "removal0", "when": "2019-06-01", **OUT})
    found = answer("intruders", made.data())
    assert {r: len(ids) for r, ids in found.rows.left_out.items()} == {"trial from before the treatment began": 1}
    assert effect(found, "excluded_share").estimate == 0.0


def test_the_horizon_is_the_usual_length_of_a_full_watch() -> None:
    """Most full watches lasted 5 min: shares are given there, though one lasted 20."""
    five, long = trial(300.0, "time up"), trial(1200.0, "time up")
    found = answer("intruders", study([OUT, five, five], [five, five, long]).data())
    assert found.effects[0].where == "within 5 min of release"
    assert any(d.code == "horizon" for d in found.doubts)


def test_fields_of_the_trial_can_be_compared() -> None:
    """By intruder, by part of the day and by the ants seen before; vacant plants are the reference for ants."""
    day, night = {**UP, "day_part": "day", "intruder": "beetle"}, {**OUT, "day_part": "night", "intruder": "moth"}
    made = study([day, day, night, night], [day, night])
    for b in range(4):
        made.visit(f"sham{b}", "2020-05-01", ants="black patrolling").visit(f"removal{b}", "2020-05-01", ants="none")
    data = made.data()
    for by, of, against in (("day_part", "night", "day"), ("intruder", "moth", "beetle"), ("ant", "black", "vacant")):
        main = answer("intruders", data, Ask(by=by)).effects[0]
        assert (main.of, main.against) == (of, against)
    with pytest.raises(WrongUse, match="no such field"):
        answer("intruders", data, Ask(by="day_parts"))


def test_the_occupied_are_compared_whatever_the_treatment() -> None:
    """Plants seen with ants before the trial, against plants seen vacant, with the doubt of vigorous plants."""
    made = study([OUT, UP], [UP, UP])
    for b in range(4):
        made.visit(f"sham{b}", "2020-05-01", ants="black patrolling").visit(f"removal{b}", "2020-05-01", ants="none")
        # what is seen after the trial does not count
        made.visit(f"removal{b}", "2020-07-01", ants="black patrolling")
    found = answer("intruders", made.data())
    occupied = next(e for e in found.effects if e.where.startswith("as occupied"))
    assert occupied.estimate == pytest.approx(0.5)
    assert any(d.code == "vigorous_plants" for d in found.doubts)


def test_contacts_are_answered_where_no_end_was_written() -> None:
    """Without any reason why watches ended there is no share excluded, and the main effect is of contacts."""
    met, none = trial(600.0, None, first_contact_s=60.0), trial(600.0, None, contacts=0)
    found = answer("intruders", study([met, met, none], [none] * 3).data())
    assert found.effects[0].name == "contacted_difference"
    assert not [e for e in found.effects if e.name.startswith("exclu")]
    assert "were met by an ant" in found.sentence
    assert any(d.code == "no_exclusion" for d in found.doubts)


@pytest.mark.parametrize("blocks", [0, 1])
def test_too_little_is_a_sentence(blocks: int) -> None:
    """No trial, or one block only: nothing is answered, and why is said."""
    data = study([OUT] * 4, [UP] * 4, blocks=blocks).data()
    if not blocks:
        data = study([], [], blocks=2).data()
    found = answer("intruders", data)
    assert not found.answered
    assert found.sentence.startswith("Too little to answer")


@cache
def invented(help_: float = 1.0) -> StudyData:
    """Give an invented study of twelve blocks."""
    return observe(replace(DEFAULT.sized(12, 30), help=help_, years=1.5), 4, questions=("intruders",))


def test_the_order_of_rows_does_not_matter() -> None:
    """Shuffled tables give the same effects."""
    one, other = answer("intruders", invented()), answer("intruders", shuffled(invented(), 2))
    assert [(e.name, e.of, e.where) for e in one.effects] == [(e.name, e.of, e.where) for e in other.effects]
    for a, b in zip(one.effects, other.effects, strict=True):
        assert (a.estimate, a.low, a.high) == pytest.approx((b.estimate, b.low, b.high), rel=1e-9)
    assert one.sentence == other.sentence


def test_help_nothing_and_harm_come_out() -> None:
    """Ants that put intruders off, do nothing, or keep strays away show as such."""
    gap = {h: answer("intruders", invented(h)).effects[0] for h in (1.0, 0.0)}
    assert gap[1.0].high < 0
    assert gap[0.0].low < 0 < gap[0.0].high
    met = [e for e in answer("intruders", invented(-0.3)).effects if e.name == "contact_hazard_ratio"]
    assert all(e.estimate > 1 for e in met if e.of == "removal" and e.where == "from release")
    assert met


def test_every_number_is_finite_and_every_trial_accounted_for() -> None:
    """Estimates are numbers, ends in order; used and left out together are all trials."""
    found = answer("intruders", invented())
    assert all(math.isfinite(e.estimate) and e.low <= e.estimate <= e.high for e in found.effects)
    told = len(found.rows.used["trial"]) + sum(len(v) for v in found.rows.left_out.values())
    assert told == invented().table("trial").height


@pytest.mark.slow
def test_a_hundred_thousand_trials_are_answered() -> None:
    """10^5 trials on the plants of a study take seconds, not minutes."""
    data = invented()
    trials = data.table("trial")
    many = pl.concat([trials] * (100_000 // trials.height + 1)).head(100_000)
    ids = [i.to_bytes(16, "big") for i in range(many.height)]
    many = many.with_columns(
        pl.Series("record_id", ids, dtype=pl.Binary), pl.Series("subject_id", ids, dtype=pl.Binary)
    )
    found = answer("intruders", replace(data, tables={**data.tables, "trial": many}), Ask(only_effects=True))
    assert found.answered
    assert np.isfinite(found.effects[0].estimate)
