"""Counted truths."""

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import pytest

from domatia.lifecycle.life import simulate
from domatia.lifecycle.spec import DEFAULT, PRESETS, YEAR_DAYS
from domatia.lifecycle.stand import make_stand
from domatia.lifecycle.tally import a_year_longer, tally
from domatia.lifecycle.true_value import TrueValue
from domatia.lifecycle.truth import truth, truths_of

PLANTS = 30_000


def _pick(values: dict[str, TrueValue], question: str, name: str, **where: str) -> float:
    found = [
        v.value for v in values.values()
        if v.question == question and v.name == name and all(getattr(v, k) == w for k, w in where.items())
    ]  # fmt: skip
    assert len(found) == 1, (question, name, where, len(found))
    return found[0]


@pytest.fixture(scope="module")
def truths() -> dict[str, dict[str, TrueValue]]:
    """Truths of the presets."""
    return {name: dict(truth(spec, 5, PLANTS)) for name, spec in PRESETS.items()}


PAIR = {"of": "removal", "against": "sham"}


def test_ants_that_help(truths: dict[str, dict[str, TrueValue]]) -> None:
    """By default plants without ants die faster, grow less and lose more leaf."""
    t = truths["default"]
    assert _pick(t, "survival", "hazard_ratio", **PAIR) > 1.4
    assert _pick(t, "survival", "survival_difference_1y", **PAIR) < -0.05
    assert _pick(t, "survival", "restricted_mean_difference", **PAIR) < -60
    assert _pick(t, "survival", "hazard_ratio_as_occupied") < 0.6
    assert _pick(t, "growth", "rgr_difference", **PAIR) < -0.05
    assert _pick(t, "growth", "height_difference_1y_cm", **PAIR) < -3
    assert _pick(t, "damage", "missing_difference_1y", where="by fate", **PAIR) > 5
    assert _pick(t, "damage", "missing_log_ratio_1y", where="by fate", **PAIR) > 0.2


def test_no_effect_is_null_within_counting_error(truths: dict[str, dict[str, TrueValue]]) -> None:
    """With no effect every contrast of removal and sham is null: four errors of a count of 10,000 plants an arm.

    The tolerances take the arms as independent; each plant living under every arm makes the contrasts sharper.
    """
    t = truths["no_effect"]
    assert abs(np.log(_pick(t, "survival", "hazard_ratio", **PAIR))) < 4 * np.sqrt(2 / 6_000)
    assert abs(_pick(t, "survival", "survival_difference_1y", **PAIR)) < 4 * np.sqrt(2 * 0.2 / 10_000)
    assert abs(_pick(t, "survival", "restricted_mean_difference", **PAIR)) < 4 * 400 * np.sqrt(2 / 10_000)
    assert abs(np.log(_pick(t, "survival", "hazard_ratio_as_occupied"))) < 0.08
    assert abs(_pick(t, "growth", "rgr_difference", **PAIR)) < 0.008
    assert abs(_pick(t, "growth", "height_difference_1y_cm", **PAIR)) < 0.8
    assert abs(_pick(t, "damage", "missing_difference_1y", where="by fate", **PAIR)) < 0.8


def test_harm_reverses_every_sign(truths: dict[str, dict[str, TrueValue]]) -> None:
    """Where ants harm, removal helps."""
    good, bad = truths["default"], truths["harm"]
    for question, name, where in (
        ("survival", "survival_difference_1y", {}),
        ("survival", "restricted_mean_difference", {}),
        ("growth", "rgr_difference", {}),
        ("growth", "height_difference_1y_cm", {}),
        ("damage", "missing_difference_1y", {"where": "by fate"}),
        ("damage", "missing_log_ratio_1y", {"where": "all eaten"}),
    ):
        one, other = (_pick(t, question, name, **PAIR, **where) for t in (good, bad))
        assert one * other < 0, name
    ratios = [np.log(_pick(t, "survival", "hazard_ratio", **PAIR)) for t in (good, bad)]
    assert ratios[0] > 0.3
    assert ratios[1] < -0.2


def test_shares_add_up(truths: dict[str, dict[str, TrueValue]]) -> None:
    """Rows of the transition matrices sum to one; the ends of vacant spells sum to less than one."""
    t = truths["default"]
    for name in ("transition_1y", "transition_1y_counted"):
        rows: dict[tuple[str, str], float] = {}
        for v in t.values():
            if v.name == name:
                rows[v.where, v.of] = rows.get((v.where, v.of), 0.0) + v.value
        assert len(rows) == 5 + 6
        np.testing.assert_allclose(list(rows.values()), 1.0, atol=1e-9)
    ends: dict[tuple[str, str], float] = {}
    for v in t.values():
        if v.name == "cumulative_incidence_1y" and v.of != "any ant":
            ends[v.where, v.against] = ends.get((v.where, v.against), 0.0) + v.value
    assert len(ends) == 6
    assert all(0.2 < e < 1.0 for e in ends.values())


def test_the_two_ways_to_a_years_transitions_agree(truths: dict[str, dict[str, TrueValue]]) -> None:
    """Counted shares a year apart lie near the exponential of the intensities: the process is nearly Markov."""
    t = truths["default"]
    for v in t.values():
        if v.name == "transition_1y" and v.of not in ("founding", "vacant"):
            other = t[v.key.replace("transition_1y", "transition_1y_counted")].value
            assert abs(v.value - other) < 0.03, v.key


def test_counts_of_survival_are_plain_counts() -> None:
    """The tally's alive after a year is the number of plants that truly outlived the year."""
    spec = DEFAULT.sized(6, 30)
    counts, life = tally(spec, 1, 4), simulate(a_year_longer(spec), 1, 4)
    alive = [int((life.death_day[life.stand.arm == a] > YEAR_DAYS).sum()) for a in range(3)]
    assert counts["alive_1y"].tolist() == alive
    died = [int((life.death_day[life.stand.arm == a] <= 3 * YEAR_DAYS).sum()) for a in range(3)]
    assert counts["died"].sum(axis=1).tolist() == died
    assert counts["time"].sum() == pytest.approx(counts["days_lived"].sum())
    assert all(np.isfinite(v.value) for v in truths_of(DEFAULT, counts) if v.question == "survival")


def test_every_plant_lives_once_under_each_arm() -> None:
    """Over the turns of a draw each plant is in each arm once, and everything else about it stays."""
    spec = DEFAULT.sized(6, 30)
    stands = [make_stand(spec, 1, 4, turn) for turn in range(3)]
    assert (np.sort([s.arm for s in stands], axis=0) == np.arange(3)[:, None]).all()
    for s in stands[1:]:
        np.testing.assert_array_equal(s.log_height, stands[0].log_height)
        np.testing.assert_array_equal(s.occupant, stands[0].occupant)


def test_truth_does_not_depend_on_the_workers() -> None:
    """Counting in two processes gives the very same truths."""
    spec = DEFAULT.sized(8, 30)
    alone = truth(spec, 3, 8_000)
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        spread = truth(spec, 3, 8_000, pool.map)
    assert {k: v.value for k, v in alone.items()} == {k: v.value for k, v in spread.items()}
