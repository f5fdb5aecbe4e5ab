"""The fate of single leaves, and spells of vacancy."""

import numpy as np
import pytest

from domatia.lifecycle.leaves import DROPPED, EATEN, PRESENT, area_lost, drops, fate, missing
from domatia.lifecycle.life import simulate
from domatia.lifecycle.spec import DEFAULT, PlantRates
from domatia.lifecycle.spells import DIED, as_held, as_live_queen, as_patrolling, spells

RATES = PlantRates()


def test_mean_area_missing_is_that_of_a_gamma_process() -> None:
    """The mean share left is (1 + 1/k)^(-k R), the Laplace transform of a gamma variate: four errors of the mean."""
    rng, exposure = np.random.default_rng(8), 0.6
    k = RATES.leaf_evenness
    share = missing(area_lost(RATES, np.full(200_000, exposure), rng))
    wanted = 1 - (1 + 1 / k) ** (-k * exposure)
    assert abs(float(share.mean()) - wanted) < 4 * float(share.std()) / np.sqrt(200_000)


def test_area_is_lost_alike_in_one_step_or_in_two() -> None:
    """Two halves of an exposure lose as much as the whole, in mean and in spread."""
    rng = np.random.default_rng(9)
    whole = area_lost(RATES, np.full(100_000, 0.8), rng)
    halves = area_lost(RATES, np.full(100_000, 0.4), rng) + area_lost(RATES, np.full(100_000, 0.4), rng)
    assert float(whole.mean()) == pytest.approx(float(halves.mean()), abs=0.015)
    assert float(whole.std()) == pytest.approx(float(halves.std()), rel=0.02)


def test_leaves_drop_at_a_constant_hazard() -> None:
    """After a year the share fallen is 1 - exp(-12 h), within four binomial errors."""
    fallen = drops(RATES, np.full(50_000, 12.0), np.random.default_rng(10))
    wanted = 1 - np.exp(-12 * RATES.leaf_drop)
    assert abs(float(fallen.mean()) - wanted) < 4 * np.sqrt(wanted * (1 - wanted) / 50_000)


def test_a_leaf_eaten_up_is_eaten_whether_or_not_it_would_have_dropped() -> None:
    """Eaten comes before dropped, dropped before present."""
    fallen = np.array([0.1, 0.1, 5.0, 5.0])
    found = fate(RATES, fallen, np.array([False, True, False, True]))
    assert found.tolist() == [PRESENT, DROPPED, EATEN, EATEN]


def test_labels_of_occupants() -> None:
    """The three ways to count a plant as held treat founding queens as held, as a state of their own and as none."""
    assert as_live_queen(2).tolist() == [0, 1, 2, 1, 2]
    assert as_patrolling(2).tolist() == [0, 2, 3, 1, 1]
    assert as_held(2).tolist() == [0, 1, 2, 0, 0]


def test_spells_of_one_label_are_one_spell() -> None:
    """No two neighbouring spells of a plant have the same label, and each ends as the next begins."""
    life = simulate(DEFAULT.sized(8, 30), 2, 0)
    for label in (as_live_queen(4), as_patrolling(4), as_held(4)):
        found = spells(life, label, 1000.0)
        same = found.plant[1:] == found.plant[:-1]
        assert (found.state[1:][same] != found.state[:-1][same]).all()
        np.testing.assert_array_equal(found.start[1:][same], found.stop[:-1][same])
        np.testing.assert_array_equal(found.state[1:][same], found.ends[:-1][same])
        died = found.ends == DIED
        np.testing.assert_array_equal(found.stop[died], life.death_day[found.plant[died]])
