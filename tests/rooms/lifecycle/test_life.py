"""The monthly model: what must hold in every study it lives through."""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domatia.lifecycle.life import Cause, Life, digest, simulate
from domatia.lifecycle.spec import DEFAULT, MONTH_DAYS, PRESETS, Crew, PlantRates, Treating
from domatia.lifecycle.spells import DIED, OVER, as_live_queen, spells

SMALL = DEFAULT.sized(8, 30)


def _days_in_states(life: Life, until: float) -> tuple[float, float]:
    found = spells(life, as_live_queen(4), until)
    return float((found.stop - found.start).sum()), float(np.minimum(life.death_day, until).sum())


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10**6), help_=st.sampled_from([1.0, 0.0, -0.6]))
def test_nothing_gets_lost(seed: int, help_: float) -> None:
    """Every plant is in one state on every day until it dies; every change starts from the state before it."""
    life = simulate(replace(SMALL, help=help_), seed, 0)
    in_states, lived = _days_in_states(life, 1000.0)
    assert in_states == pytest.approx(lived, rel=1e-12)
    changes = life.changes
    first = np.append(True, changes.plant[1:] != changes.plant[:-1])
    assert np.array_equal(changes.plant[first], np.arange(life.stand.size))
    assert (changes.cause[first] == Cause.START).all()
    later = np.flatnonzero(~first)
    np.testing.assert_array_equal(changes.before[later], changes.after[later - 1])
    assert (changes.day[later] >= changes.day[later - 1]).all()
    assert (changes.day < life.death_day[changes.plant]).all()


def test_changes_are_of_the_kind_they_say() -> None:
    """Queens settle on vacant plants, mature into their own ant, colonies are lost or removed to none."""
    changes, ants = simulate(SMALL, 2, 0).changes, 4
    for cause, before, after in (
        (Cause.SETTLED, [0], range(ants + 1, 2 * ants + 1)),
        (Cause.MATURED, range(ants + 1, 2 * ants + 1), range(1, ants + 1)),
        (Cause.LOST, range(1, 2 * ants + 1), [0]),
        (Cause.REMOVED, range(1, 2 * ants + 1), [0]),
        (Cause.TAKEN, range(1, 2 * ants + 1), range(1, ants + 1)),
    ):
        of = changes.cause == cause
        assert of.any()
        assert np.isin(changes.before[of], list(before)).all()
        assert np.isin(changes.after[of], list(after)).all()
    matured = changes.cause == Cause.MATURED
    np.testing.assert_array_equal(changes.before[matured] - ants, changes.after[matured])


def test_only_removal_plants_lose_ants_by_hand() -> None:
    """Removals happen on removal plants alone: on day 0 or on the day of a round that looked at the plant."""
    life = simulate(DEFAULT, 5, 0)
    changes, rounds = life.changes, life.rounds
    removed = changes.cause == Cause.REMOVED
    plant, day = changes.plant[removed], changes.day[removed]
    assert (life.stand.arm[plant] == 0).all()
    later = day > 0
    at = rounds.day[:, life.stand.block[plant[later]]] == day[later]
    assert at.any(axis=0).all()
    assert rounds.looked[at.argmax(axis=0), plant[later]].all()


def test_dead_plants_stand_still() -> None:
    """Height and leaf loss do not change after death."""
    life = simulate(SMALL, 3, 0)
    dead = np.flatnonzero(life.death_day < 200)
    month = int(200 / MONTH_DAYS) + 1
    assert len(dead)
    assert (life.log_height[dead, month:] == life.log_height[dead, month : month + 1]).all()
    assert (life.eaten[dead, month:] == life.eaten[dead, month : month + 1]).all()


def test_death_without_any_effect_is_exponential() -> None:
    """With every effect on death off, the share alive after a year is exp(-12 h), within four binomial errors."""
    rates = PlantRates(death=0.03, death_light=0.0, death_size=0.0, death_block=0.0)
    life = simulate(replace(DEFAULT.sized(200, 84), help=0.0, plants=rates), 7, 0)
    wanted = float(np.exp(-0.36))
    error = np.sqrt(wanted * (1 - wanted) / life.stand.size)
    assert abs(float((life.death_day > 12 * MONTH_DAYS).mean()) - wanted) < 4 * error


def test_a_perfect_removal_keeps_plants_free_until_a_queen_comes() -> None:
    """With an efficacy of 1 no removal plant holds ants right after day 0."""
    life = simulate(replace(SMALL, treating=Treating(efficacy=1.0)), 1, 0)
    removal = np.flatnonzero(life.stand.arm == 0)
    assert (life.changes.at(removal, np.zeros(len(removal))) == 0).all()


def test_the_stronger_and_larger_colony_tends_to_win() -> None:
    """Plants that change hands go to the mightier ant more often than the reverse."""
    changes = simulate(DEFAULT.sized(96, 84), 4, 0).changes
    fights = (changes.cause == Cause.TAKEN) & (changes.before <= 4)
    strong = ((changes.before == 4) & (changes.after == 1) & fights).sum() / (
        changes.after[changes.cause == 0] == 4
    ).sum()
    weak = ((changes.before == 1) & (changes.after == 4) & fights).sum() / (
        changes.after[changes.cause == 0] == 1
    ).sum()
    assert strong > 1.5 * weak


def _name(replicate: int) -> str:
    return digest(SMALL, 11, replicate)


def test_the_same_on_one_worker_and_on_two() -> None:
    """Digests of eight replicates do not depend on the number of workers or on their order."""
    alone = [_name(r) for r in range(8)]
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        assert list(pool.map(_name, range(8))) == alone
    assert [_name(r) for r in reversed(range(8))] == alone[::-1]
    assert len(set(alone)) == 8


def test_spells_end_in_death_or_in_the_end() -> None:
    """The last spell of each plant ends in death if it died within the time looked at, else with that time."""
    life = simulate(SMALL, 6, 0)
    found = spells(life, as_live_queen(4), 900.0)
    last = np.append(found.plant[1:] != found.plant[:-1], True)
    died = life.death_day[found.plant[last]] <= 900.0
    np.testing.assert_array_equal(found.ends[last], np.where(died, DIED, OVER))
    assert not np.isin(found.ends[~last], [DIED, OVER]).any()


def test_presets_and_rounds() -> None:
    """The presets differ in what ants do and in nothing else; rounds follow the wanted gap."""
    assert {p.help for p in PRESETS.values()} == {1.0, 0.0, -0.6}
    assert len({replace(p, help=1.0) for p in PRESETS.values()}) == 1
    gaps = np.diff(simulate(DEFAULT, 1, 0).rounds.day[1:], axis=0)
    crew = Crew()
    assert gaps.min() >= crew.gap_days - crew.gap_spread
    assert gaps.max() <= crew.gap_days + crew.gap_spread
    assert abs(float(gaps.mean()) - crew.gap_days) < 1.0
