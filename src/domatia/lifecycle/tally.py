"""Counts of what truly happened in one simulated study; counts of many studies add up.

Nothing here is estimated: every number is a count of plants, events, days or a sum of true values.
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import reduce
from typing import TypeAlias

import numpy as np

from domatia.lifecycle.life import Life, between_months, simulate
from domatia.lifecycle.spec import MONTH_DAYS, YEAR_DAYS, Spec
from domatia.lifecycle.spells import DIED, OVER, Spells, as_held, as_live_queen, as_patrolling, spells
from domatia.lifecycle.stand import Bools, Floats, Ints
from domatia.lifecycle.streams import Purpose, stream
from domatia.lifecycle.tally_damage import damage

Tally: TypeAlias = Mapping[str, Floats]

LIGHT_BINS = 50
LEAVES = 10


def months_of(spec: Spec) -> int:
    """Give the whole months over which truths are counted."""
    return round(12 * spec.years)


def add(tallies: Iterable[Tally]) -> Tally:
    """Add up the counts of several studies, in the order given."""

    def plus(a: Tally, b: Tally) -> Tally:
        return {k: a[k] + b[k] for k in a}

    return reduce(plus, tallies)


def a_year_longer(spec: Spec) -> Spec:
    """Give the same study with a year more, so that every vacant spell of the study can be followed for a year."""
    return replace(spec, years=spec.years + 1)


def tally(spec: Spec, seed: int, replicate: int, turn: int = 0) -> Tally:
    """Live through one study, and a year more, and count; `turn` as for `simulate`."""
    life = simulate(a_year_longer(spec), seed, replicate, turn)
    rng = stream(seed, replicate, Purpose.LEAVES, 1)
    counted = {
        **_survival(spec, life),
        **_as_occupied(spec, life),
        **_growth(spec, life),
        **_growth_held(spec, life),
        **damage(spec, life, rng),
    }
    for name, label in (("queen", as_live_queen), ("patrol", as_held)):
        until = months_of(spec) * MONTH_DAYS
        vacant, longer = (_vacant(life, label(len(spec.ants)), until + more) for more in (0.0, YEAR_DAYS))
        counted |= _vacant_time(spec, life, vacant, name)
        counted |= _vacant_ends(spec, life, longer, name)
    for name, label in (("queen", as_live_queen), ("patrol", as_patrolling)):
        counted |= _takeover(spec, life, label(len(spec.ants)), name)
    return counted


def _by(groups: Ints, size: int, weights: Floats | None = None) -> Floats:
    return np.bincount(groups, weights=weights, minlength=size).astype(np.float64)


def _overlap(start: Floats, stop: Floats, low: float, high: float) -> Floats:
    return np.asarray(np.maximum(np.minimum(stop, high) - np.maximum(start, low), 0.0))


def _survival(spec: Spec, life: Life) -> Tally:
    arms, arm, death = len(spec.arms), life.stand.arm, life.death_day
    months = months_of(spec)
    died, time = np.zeros((arms, months)), np.zeros((arms, months))
    for m in range(months):
        low, high = m * MONTH_DAYS, (m + 1) * MONTH_DAYS
        died[:, m] = _by(arm[(death > low) & (death <= high)], arms)
        time[:, m] = _by(arm, arms, _overlap(np.zeros(len(death)), death, low, high))
    lived = np.minimum(death, months * MONTH_DAYS)
    return {
        "plants": _by(arm, arms),
        "alive_1y": _by(arm[death > YEAR_DAYS], arms),
        "days_lived": _by(arm, arms, lived),
        "died": died,
        "time": time,
    }


def _as_occupied(spec: Spec, life: Life) -> Tally:
    """Count deaths and days between rounds by who lived on the plant at the beginning.

    "occupied": right after the visit, any removal of that day done. "seen": as a visit before any removal would see
    it; for the first interval that is the look before the treatment.
    """
    ants, n, rounds = len(spec.ants), life.stand.size, life.rounds
    defends = np.array([a.defends for a in spec.ants])
    group = np.concatenate([[0], np.where(defends, 1, 2), np.full(ants, 2)]).astype(np.int64)
    found: dict[str, Floats] = {}
    for name, moment in (("occupied", 0.0), ("seen", -1e-3)):
        died, time = np.zeros((3, spec.rounds - 1)), np.zeros((3, spec.rounds - 1))
        for r in range(spec.rounds - 1):
            low = np.maximum(rounds.day[r, life.stand.block], 0).astype(np.float64)
            high = rounds.day[r + 1, life.stand.block].astype(np.float64)
            held = group[life.changes.at(np.arange(n), low + moment)]
            there = life.death_day > low
            time[:, r] = _by(held[there], 3, (np.minimum(life.death_day, high) - low)[there])
            died[:, r] = _by(held[there & (life.death_day <= high)], 3)
        found |= {f"{name}_died": died, f"{name}_time": time}
    return found


def _growth(spec: Spec, life: Life) -> Tally:
    arms, arm, months = len(spec.arms), life.stand.arm, months_of(spec)
    alive, level, gain = (np.zeros((arms, months + 1)) for _ in range(3))
    first = life.log_height[:, 0].astype(np.float64)
    for m in range(months + 1):
        there = life.death_day > m * MONTH_DAYS
        now = life.log_height[there, m].astype(np.float64)
        alive[:, m] = _by(arm[there], arms)
        level[:, m] = _by(arm[there], arms, now)
        gain[:, m] = _by(arm[there], arms, now - first[there])
    own, followed = _own_slopes(life, months)
    there = life.death_day > YEAR_DAYS
    then, start = np.exp(life.log_height[:, 12].astype(np.float64)), np.exp(first)
    return {
        "alive": alive,
        "log_height": level,
        "log_gain": gain,
        "own_slope": _by(arm[followed], arms, own[followed]),
        "own_slope_plants": _by(arm[followed], arms),
        "cm_gain_1y": _by(arm[there], arms, (then - start)[there]),
        "cm_1y": _by(arm[there], arms, then[there]),
        "cm_start": _by(arm, arms, start),
    }


def _own_slopes(life: Life, months: int) -> tuple[Floats, Bools]:
    """Give each plant's least-squares slope of log height on years while it lived, and who lived for half a year."""
    years = np.arange(months + 1) / 12.0
    alive = life.death_day[:, None] > years * YEAR_DAYS
    size = life.log_height[:, : months + 1].astype(np.float64)
    number = np.maximum(alive.sum(axis=1), 1)
    middle = (alive * years).sum(axis=1) / number
    centred = np.where(alive, years - middle[:, None], 0.0)
    slope = (centred * size).sum(axis=1) / np.maximum((centred**2).sum(axis=1), 1e-12)
    return slope, np.asarray(life.death_day > YEAR_DAYS / 2, dtype=np.bool_)


def _growth_held(spec: Spec, life: Life) -> Tally:
    """Sum up growth between rounds by whether defenders patrolled or nobody lived on the plant at the beginning.

    Steps of plants that lived through them, weighted by their length. "within": each plant's own mean taken off;
    "beside": normal equations of growth on held, one and log height.
    """
    ants, n, rounds = len(spec.ants), life.stand.size, life.rounds
    held_by = np.concatenate([[0], np.where([a.defends for a in spec.ants], 1, -1), np.full(ants, -1)])
    slots, steps = np.arange(n), []
    for r in range(spec.rounds - 1):
        low = np.maximum(rounds.day[r, life.stand.block], 0).astype(np.float64)
        high = rounds.day[r + 1, life.stand.block].astype(np.float64)
        held = held_by[life.changes.at(slots, low)]
        at = np.flatnonzero((held >= 0) & (life.death_day > high))
        first, last = (between_months(life.log_height, at, d[at]) for d in (low, high))
        length = (high - low)[at] / YEAR_DAYS
        steps.append(np.stack([at, held[at], (last - first) / length, first, length]))
    plant, held, rate, size, weight = np.concatenate(steps, axis=1)
    slot = plant.astype(np.int64)
    whole = np.maximum(_by(slot, n, weight), 1e-300)
    x = held - (_by(slot, n, weight * held) / whole)[slot]
    y = rate - (_by(slot, n, weight * rate) / whole)[slot]
    columns = np.stack([held, np.ones_like(held), size])
    return {
        "held_within": np.array([(weight * x * y).sum(), (weight * x * x).sum()]),
        "held_cross": (columns * weight) @ columns.T,
        "held_right": (columns * weight) @ rate,
    }


def _vacant(life: Life, label: Ints, until: float) -> Spells:
    """Give the vacant spells from the day on which a round first finds them so.

    Spells at the treatment count from day 0, those that a removal begins from its own day; spells that are over before
    the next round comes are nobody's.
    """
    every = spells(life, label, until)
    free = every.state == 0
    plant, start, stop, ends = every.plant[free], every.start[free], every.stop[free], every.ends[free]
    days = life.rounds.day[:, life.stand.block[plant]].astype(np.float64)
    later = np.where(days >= start, days, np.inf).min(axis=0)
    first = np.where(start > 0.0, later, 0.0)
    seen = first < stop
    state = np.zeros(int(seen.sum()), dtype=np.int64)
    return Spells(plant[seen], first[seen], stop[seen], state, ends[seen])


def _on_removal(spec: Spec, life: Life, plant: Ints) -> Ints:
    removal = np.array([a.role == "removal" for a in spec.arms])
    return removal[life.stand.arm[plant]].astype(np.int64)


def _end_of(found: Spells, ants: int) -> Ints:
    """Give what ended each spell: 0 nothing, 1 to K an ant, K + 1 death."""
    return np.where(found.ends == DIED, ants + 1, np.where(found.ends == OVER, 0, found.ends))


def _vacant_ends(spec: Spec, life: Life, found: Spells, name: str) -> Tally:
    """Count what had become of each vacant spell that began in the study, a year after it began."""
    ants, until = len(spec.ants), months_of(spec) * MONTH_DAYS
    begun = found.start <= until
    within = np.where(found.stop - found.start <= YEAR_DAYS, _end_of(found, ants), 0)[begun]
    cells = _on_removal(spec, life, found.plant[begun]) * (ants + 2) + within
    return {f"spells_{name}": _by(cells, 2 * (ants + 2)).reshape(2, ants + 2)}


def _vacant_time(spec: Spec, life: Life, found: Spells, name: str) -> Tally:
    """Count vacant days and the ends of spells in the study by month of the spell, light and treatment."""
    ants, months = len(spec.ants), months_of(spec)
    plant, length, end = found.plant, found.stop - found.start, _end_of(found, ants)
    light = np.minimum((life.stand.light[plant] * LIGHT_BINS).astype(np.int64), LIGHT_BINS - 1)
    cell = _on_removal(spec, life, plant) * LIGHT_BINS + light
    time = np.zeros((months, 2 * LIGHT_BINS))
    for m in range(months):
        time[m] = _by(cell, 2 * LIGHT_BINS, np.clip(length - m * MONTH_DAYS, 0.0, MONTH_DAYS))
    age = np.minimum((length / MONTH_DAYS).astype(np.int64), months - 1)
    at = (end * months + age) * (2 * LIGHT_BINS) + cell
    events = _by(at, (ants + 2) * months * 2 * LIGHT_BINS).reshape(ants + 2, months, 2 * LIGHT_BINS)
    return {f"vacant_time_{name}": time, f"vacant_events_{name}": events}


def _takeover(spec: Spec, life: Life, label: Ints, name: str) -> Tally:
    """Count changes and days by state, and states a year apart, on plants whose ants were never to be removed."""
    states = int(label.max()) + 2
    dead = states - 1
    left_alone = np.array([a.role != "removal" for a in spec.arms])[life.stand.arm]
    found = spells(life, label, months_of(spec) * MONTH_DAYS)
    kept = left_alone[found.plant]
    state, ends = found.state[kept], found.ends[kept]
    moved = ends != OVER
    to = np.where(ends == DIED, dead, ends)
    changes = _by(state[moved] * states + to[moved], states * states).reshape(states, states)
    plants, pairs = np.flatnonzero(left_alone), np.zeros((states, states))

    def state_on(day: float) -> Ints:
        held = label[life.changes.at(plants, np.full(len(plants), day))]
        return np.where(life.death_day[plants] > day, held, dead).astype(np.int64)

    for year in range(int(spec.years)):
        before, after = state_on(year * YEAR_DAYS), state_on((year + 1) * YEAR_DAYS)
        pairs += _by(before * states + after, states * states).reshape(states, states)
    return {
        f"changes_{name}": changes,
        f"state_time_{name}": _by(state, states, (found.stop - found.start)[kept]),
        f"year_pairs_{name}": pairs,
    }
