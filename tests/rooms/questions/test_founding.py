"""Founding: what looks at vacant plants cannot see is allowed for."""

from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose

from domatia.lifecycle import DEFAULT, observe
from domatia.model import Answer, Ask
from domatia.questions import answer
from domatia.questions.founding_hidden import hidden_changes
from domatia.questions.founding_numbers import DIED

ENDS = ("Rust", "Velvet", DIED)


def vacant(ended: list[str], taken_off: list[str]) -> pl.DataFrame:
    """Give vacant steps of half a year with these ends."""
    return pl.DataFrame({"start": 0.0, "stop": 0.5, "ended": ended, "taken_off": taken_off})


def held(*steps: tuple[str, str, int]) -> pl.DataFrame:
    """Give held steps of half a year: who held the plant, who at the next look, how many."""
    rows = [(a, b, False, 0.5) for a, b, n in steps for _ in range(n)]
    types = {"before": pl.String, "ended": pl.String, "fresh": pl.Boolean, "years": pl.Float64}
    return pl.DataFrame(rows, schema=types, orient="row")


HELD = held(("Rust", "Rust", 90), ("Rust", "", 5), ("Rust", "dead", 5), ("Velvet", "Velvet", 80), ("Velvet", "Rust", 9))
SEEN = [""] * 800 + ["Rust"] * 100 + ["Velvet"] * 60 + [DIED] * 40


@cache
def answered(gap: float) -> Answer:
    """Answer a study whose crew comes every so many days, from the same plants' lives."""
    spec = replace(DEFAULT, crew=replace(DEFAULT.crew, gap_days=gap, gap_spread=gap / 6))
    return answer("founding", observe(spec, 5), Ask(pool=True))


def test_seen_and_unseen_add_up() -> None:
    """Whatever came first is seen as something, most often as itself; dying vacant as dying vacant."""
    found = hidden_changes(vacant(SEEN, [""] * 1000), HELD, ENDS)
    assert found.states == ("vacant", "Rust", "Velvet", "dead")
    for causes in ((("Rust",), ("Velvet",), (DIED,)), (("Rust", "Velvet"), (DIED,)), (("Rust",), ("Velvet",))):
        shown = found.among(causes)
        assert shown.shape == (1000, len(causes) + 1, len(causes) + 1)
        assert_allclose(shown.sum(axis=2), 1.0)
        assert_allclose(shown[:, 0, 0], 1.0)
        assert (np.diagonal(shown, axis1=1, axis2=2) > 0.8).all()


def test_a_plant_that_any_ant_took_is_the_mean_over_the_ants() -> None:
    """With both ants as one, they count as often as each was seen to come."""
    found = hidden_changes(vacant(SEEN, [""] * 1000), HELD, ENDS)
    each, both = found.among((("Rust",), ("Velvet",), (DIED,)))[0], found.among((("Rust", "Velvet"), (DIED,)))[0]
    assert_allclose(found.weights, [100 / 160, 60 / 160])
    assert both[1, 2] == pytest.approx((100 * each[1, 3] + 60 * each[2, 3]) / 160)


def test_young_colonies_that_are_lost_more_often_hide_more() -> None:
    """Where colonies new on their plant were lost more often than others, more takings go unseen."""
    young = HELD.with_columns(fresh=pl.col("ended") == "")
    old = hidden_changes(vacant(SEEN, [""] * 1000), HELD, ENDS).shown[0, 1, 0]
    assert hidden_changes(vacant(SEEN, [""] * 1000), young, ENDS).shown[0, 1, 0] > 1.5 * old


def test_the_ant_that_was_taken_off_and_is_back_at_once_may_never_have_left() -> None:
    """Comebacks beyond what other ants do weigh less than anything else; with one ant taken off nothing can be told."""
    off = ["Rust"] * 500 + ["Velvet"] * 500
    ended = ([""] * 440 + ["Rust"] * 50 + ["Velvet"] * 10) + ([""] * 450 + ["Rust"] * 10 + ["Velvet"] * 40)
    found = hidden_changes(vacant(ended, off), HELD, ENDS)
    assert found.failed == pytest.approx(0.075, abs=0.02)
    back = np.array(off) == np.array(ended)
    assert found.vacant[back].max() < 0.5 < 0.65 < found.vacant[~back].min()
    alone = hidden_changes(vacant(ended[:500], off[:500]), HELD, ENDS)
    assert alone.failed is None
    assert (alone.vacant == 1.0).all()


def test_without_held_plants_what_is_seen_is_what_happened() -> None:
    """Nothing is known of what becomes of held plants but that they die as vacant ones do."""
    found = hidden_changes(vacant(SEEN, [""] * 1000), held(), ENDS)
    assert (found.shown[:, 1, [0, 2]] == 0.0).all()
    assert found.shown[0, 1, 1] > 0.9


@pytest.mark.slow
def test_seldom_looks_give_about_the_same_chances() -> None:
    """Looked at every two months or every five, plants are found about as often, as far as the interval knows."""
    often, seldom = ({(e.name, e.of, e.against): e for e in answered(gap).effects} for gap in (62.0, 150.0))
    for who in ("any ant", DIED):
        key = ("cumulative_incidence_1y", who, "sham and control")
        assert abs(seldom[key].estimate - often[key].estimate) < 0.06
    assert answered(62.0).tables["hidden_changes"].height == 5 * 5


@pytest.mark.slow
def test_the_answer_says_what_it_allows_for() -> None:
    """The doubts name the gap between looks and the removals that seem to have failed."""
    told = {d.code: d.text for d in answered(62.0).doubts}
    assert "patrolling workers" in told["between_looks"]
    assert "days apart" in told["between_looks"]
    assert "left the colony alive" in told["failed_removals"]
