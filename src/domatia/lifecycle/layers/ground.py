"""The ground and the vines about the plants, twice a year, and vines laid against some of them."""

from collections.abc import Iterable, Mapping
from datetime import datetime, time, timedelta

import numpy as np
import polars as pl

from domatia.lifecycle.counted import proportional_hazards
from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.life import Life, simulate
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import MONTH_DAYS, Spec
from domatia.lifecycle.stand import Bools, Floats, Ints
from domatia.lifecycle.study_rows import dates
from domatia.lifecycle.true_value import TrueValue

_NUMBER = 11
_EVERY, _FIRST = 3, 2
"""At every third round from the second after the treatment on, some weeks after the census."""
_AFTER_DAYS = 20
_RADIUS, _CLEARED, _MONTHS = 18.0, 42.0, 7.0
"""Bare radius (cm) of a plant without ants, what defenders add in the end, and the months they need for most of it."""
_RADIUS_BLOCK, _RADIUS_NOISE = 3.0, 9.0
_VINES, _VINES_LIGHT, _VINES_CUT, _VINES_BLOCK = -0.35, 0.25, -1.7, 0.30
_NOTHING_NEAR = 0.06
_LAID, _WATCHED_H = 5, 48.0
"""Plants of each treatment in each block against which a vine is laid, and how long it is watched."""
_CUT_ALONE, _CUT_HELD = 0.006, 2.4
"""Hourly rate at which a laid vine falls off by itself; what defenders add to its log."""
_FIRST_LOOK_H = 0.5


def _defended(spec: Spec, occupant: Ints) -> Bools:
    defends = np.array([False, *(a.defends for a in spec.ants), *([False] * len(spec.ants))])
    return np.asarray(defends[occupant], dtype=np.bool_)


def _months_held(spec: Spec, life: Life, plant: Ints, day: Floats) -> Floats:
    """Give how long defenders have held these plants without a break on these days; nought where they do not."""
    changes = life.changes
    held = _defended(spec, changes.after)
    begins = held & np.concatenate([[True], (changes.plant[1:] != changes.plant[:-1]) | ~held[:-1]])
    since = np.where(begins, changes.day, -np.inf)
    order = np.arange(len(since))
    last_begin = np.maximum.accumulate(np.where(begins, order, -1))
    at = np.searchsorted(changes.plant * 1e5 + changes.day, plant * 1e5 + day, side="right") - 1
    start = np.where(last_begin[at] >= 0, since[np.maximum(last_begin[at], 0)], np.inf)
    months = np.clip(day - start, 0.0, 1000.0) / MONTH_DAYS
    return np.where(held[at], months, 0.0)


def _rounds(spec: Spec) -> range:
    return range(_FIRST, spec.rounds - 1, _EVERY)


def _cleared(spec: Spec, months: Floats) -> Floats:
    return np.asarray(spec.help * _CLEARED * -np.expm1(-months / _MONTHS))


def _vine_odds(spec: Spec, life: Life, plant: Ints, held: Bools) -> Floats:
    more = (life.stand.light[plant] - 0.30) / 0.1
    return np.asarray(_VINES + _VINES_LIGHT * more + spec.help * _VINES_CUT * held)


def draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Look at the ground of all plants found alive, and lay vines against some plants a year after the treatment."""
    return {"visit": _looks(book, rng), "vine_contact": _laid(book, rng)}


def _looks(book: Notebook, rng: np.random.Generator) -> pl.DataFrame:
    spec, life = book.spec, book.life
    of_block = rng.standard_normal((2, spec.blocks)) * np.array([[_RADIUS_BLOCK], [_VINES_BLOCK]])
    parts = []
    for r in _rounds(spec):
        block = life.stand.block
        day = (life.rounds.day[r, block] + _AFTER_DAYS).astype(np.float64)
        come = life.rounds.reached[r] & life.rounds.found[r] & (life.death_day > day)
        at = np.flatnonzero(come & (life.rounds.searched[r, block] > 0))
        months = _months_held(spec, life, at, day[at])
        radius = (
            _RADIUS + _cleared(spec, months) + of_block[0][block[at]] + _RADIUS_NOISE * rng.standard_normal(len(at))
        )
        odds = _vine_odds(spec, life, at, months > 0) + of_block[1][block[at]]
        touched = rng.random(len(at)) < 1 / (1 + np.exp(-odds))
        vines = np.where(touched, 1 + rng.poisson(0.6, len(at)), 0)
        near = rng.random(len(at)) >= _NOTHING_NEAR
        calendar = life.rounds.block_start[block[at]] + day[at].astype(np.int64)
        parts.append(
            pl.DataFrame(
                {
                    "plant": at,
                    "when": dates(spec, calendar),
                    "observer": [spec.crew.people[b % len(spec.crew.people)] for b in block[at].tolist()],
                    "status": ["alive"] * len(at),
                    "vines_touching": np.where(near, vines, 0),
                    "bare_radius_cm": np.where(near, np.clip(np.round(radius), 0, 200), 200.0),
                    "growth_near": near,
                }
            )
        )
    return pl.concat(parts)


def _hours(spec: Spec, held: Bools, rng: np.random.Generator) -> Floats:
    rate = _CUT_ALONE * np.exp(spec.help * _CUT_HELD * held)
    return np.asarray(rng.standard_exponential(len(held)) / rate)


def _year_round(spec: Spec, life: Life) -> Ints:
    return np.asarray(np.argmax(life.rounds.day >= 360, axis=0), dtype=np.int64)


def _laid(book: Notebook, rng: np.random.Generator) -> pl.DataFrame:
    spec, life = book.spec, book.life
    block, plants = life.stand.block, np.arange(life.stand.size)
    rounds = _year_round(spec, life)[block]
    day = (life.rounds.day[rounds, block] + _AFTER_DAYS).astype(np.float64)
    order = rng.permutation(life.stand.size)
    come = (life.rounds.found[rounds, plants] & (life.death_day > day))[order]
    cell = (block * len(spec.arms) + life.stand.arm)[order]
    rank = np.zeros(len(order), np.int64)
    seen: dict[int, int] = {}
    for i, c in enumerate(cell.tolist()):
        if come[i]:
            rank[i] = seen.get(c, 0)
            seen[c] = rank[i] + 1
    at = np.sort(order[come & (rank < _LAID)])
    hours = _hours(spec, _defended(spec, life.changes.at(at, day[at])), rng)
    cut = hours < _WATCHED_H
    calendar = life.rounds.block_start[block[at]] + day[at].astype(np.int64)
    when = [
        datetime.combine(spec.start + timedelta(days=int(d)), time(7 + int(i) % 3, 10 * (int(i) % 6)))
        for i, d in enumerate(calendar.tolist())
    ]
    return pl.DataFrame(
        {
            "plant": at,
            "when": pl.Series(when, dtype=pl.Datetime),
            "observer": [spec.crew.people[int(b) % len(spec.crew.people)] for b in block[at].tolist()],
            "watched_h": np.full(len(at), _WATCHED_H),
            "cut_h": pl.Series(np.where(cut, np.maximum(np.round(hours, 1), _FIRST_LOOK_H), np.nan)).fill_nan(None),
        }
    )


def truth(spec: Spec, seed: int) -> Iterable[TrueValue]:
    """Count on many plants, each living once under each arm."""
    big, arms = spec.sized(96, spec.plants_per_block), len(spec.arms)
    number, radius, vines = (np.zeros(arms) for _ in range(3))
    bins = np.linspace(0.0, _WATCHED_H, 97)
    died, time_ = np.zeros((arms, 96)), np.zeros((arms, 96))
    within = np.zeros(3)
    for turn in range(arms):
        life = simulate(big, seed, 2**41 + _NUMBER, turn)
        arm, plants = life.stand.arm, np.arange(life.stand.size)
        for r in _rounds(big):
            day = (life.rounds.day[r, life.stand.block] + _AFTER_DAYS).astype(np.float64)
            at = plants[life.death_day > day]
            months = _months_held(big, life, at, day[at])
            chance = _spread(_vine_odds(big, life, at, months > 0), _VINES_BLOCK)
            number += np.bincount(arm[at], minlength=arms)
            radius += np.bincount(arm[at], _RADIUS + _cleared(big, months), arms)
            vines += np.bincount(arm[at], chance, arms)
            within += _within(big, life, at, _RADIUS + _cleared(big, months), chance, r)
        rounds = _year_round(big, life)[life.stand.block]
        day = (life.rounds.day[rounds, life.stand.block] + _AFTER_DAYS).astype(np.float64)
        at = plants[life.death_day > day]
        held = _defended(big, life.changes.at(at, day[at]))
        rate = _CUT_ALONE * np.exp(big.help * _CUT_HELD * held)
        alive = np.exp(-np.outer(rate, bins))
        for a in range(arms):
            own = alive[arm[at] == a]
            died[a] += -np.diff(own, axis=1).sum(axis=0)
            time_[a] += ((own[:, :-1] - own[:, 1:]) / rate[arm[at] == a][:, None]).sum(axis=0)
    pair, where = ("held by a defending ant", "vacant"), "as occupied, within blocks"
    for name, product, unit in (("bare_radius", within[1], "cm"), ("vine_contact", within[2], "1")):
        value = float(product / within[0])
        yield TrueValue("clearance", f"{name}_difference_as_occupied", *pair, where, value, unit)
    at_role = {a.role: i for i, a in enumerate(spec.arms)}
    for of, against in (("removal", "sham"), ("removal", "control"), ("sham", "control")):
        if of in at_role and against in at_role:
            i, j = at_role[of], at_role[against]
            yield from _contrasts(spec, (i, j), (radius / number, vines / number), (died, time_))


def _within(spec: Spec, life: Life, at: Ints, radius: Floats, chance: Floats, round_: int) -> Floats:
    """Sum up squares and products within blocks of being held by defenders, against vacant plants, at the census."""
    occupant = life.changes.at(at, life.rounds.day[round_, life.stand.block[at]].astype(np.float64))
    held = _defended(spec, occupant)
    kept = held | (occupant == 0)
    block = life.stand.block[at[kept]]
    number = np.maximum(np.bincount(block, minlength=spec.blocks), 1)
    x, *ys = (
        v - (np.bincount(block, v, spec.blocks) / number)[block]
        for v in (held[kept].astype(np.float64), radius[kept], chance[kept])
    )
    return np.array([x @ x, *(x @ y for y in ys)])


def _spread(odds: Floats, sd: float) -> Floats:
    """Average the chance over a normal effect of the block."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    return np.asarray((1 / (1 + np.exp(-(odds[:, None] + sd * nodes))) * weights).sum(axis=1) / weights.sum())


def _contrasts(
    spec: Spec, pair: tuple[int, int], means: tuple[Floats, Floats], hazards: tuple[Floats, Floats]
) -> Iterable[TrueValue]:
    i, j = pair
    names = (spec.arms[i].name, spec.arms[j].name)
    radius, vines = means
    odds = vines / (1 - vines)
    where = "plants with something growing near"
    yield TrueValue("clearance", "bare_radius_difference", *names, where, float(radius[i] - radius[j]), "cm")
    yield TrueValue("clearance", "vine_contact_difference", *names, where, float(vines[i] - vines[j]), "1")
    yield TrueValue("clearance", "vine_contact_odds_ratio", *names, where, float(odds[i] / odds[j]), "1")
    died, time_ = hazards
    beta = proportional_hazards(died[[i, j]], time_[[i, j]], np.array([[1.0], [0.0]]))
    yield TrueValue(
        "clearance", "vine_cut_hazard_ratio", *names, "vines laid against plants", float(np.exp(beta[0])), "1"
    )


GROUND = Layer("ground_and_vines", _NUMBER, ("clearance",), draw, truth)
