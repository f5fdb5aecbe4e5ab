"""The monthly model: plants and colonies under treatment, with the exact day of everything that happens.

Within a month what ants do to plants stays as it was on its first day. Death and the occupant's next event are drawn
as exponential waits, so both have an exact day; a treatment falls on the day of the crew's visit, and after it the
waits begin anew. An occupant can change three times by itself before and three times after the treatment of a month.
"""

from dataclasses import dataclass
from enum import IntEnum
from hashlib import blake2b

import numpy as np
from numpy.typing import NDArray

from domatia.lifecycle.colonies import Held, Meeting, founding_hazards
from domatia.lifecycle.plants import Growing, ant_effects, death_hazard, leaf_loss
from domatia.lifecycle.rounds import Rounds, make_rounds
from domatia.lifecycle.spec import MONTH_DAYS, Spec
from domatia.lifecycle.stand import Bools, Floats, Ints, Stand, make_stand
from domatia.lifecycle.streams import Purpose, stream

_LONG_AGO = -1000.0
_SPAN = 1.0e5
_CHANGES = 3
_DRAWS = 2 * _CHANGES


class Cause(IntEnum):
    """Why an occupant changed."""

    START = 0
    REMOVED = 1
    SETTLED = 2
    MATURED = 3
    LOST = 4
    TAKEN = 5


@dataclass(frozen=True)
class Changes:
    """Every change of occupant, sorted by plant and day; the first of each plant is its state at the start.

    Attributes
    ----------
    plant, before, after, cause : array of int
        Occupants as in `Stand.occupant`.
    day : array of float
        Days since the block's treatment; the state at the start has a day long before.
    """

    plant: Ints
    day: Floats
    before: Ints
    after: Ints
    cause: Ints

    def at(self, plant: Ints, day: Floats) -> Ints:
        """Give the occupant of these plants on these days (a change on that very day has happened)."""
        keys = self.plant * _SPAN + self.day
        last = np.searchsorted(keys, plant * _SPAN + np.asarray(day, dtype=np.float64), side="right") - 1
        return self.after[last]


@dataclass(frozen=True)
class Life:
    """What happened.

    Attributes
    ----------
    stand : Stand
    rounds : Rounds
    death_day : array of float, shape (plants,)
        Days since the block's treatment, infinity for plants that outlived the model's last month.
    changes : Changes
    treated : array of bool, shape (rounds, plants)
        Where ants were to be taken off at that round's visit; the first round stands for day 0.
    log_height, workers, eaten : array of float, shape (plants, months + 1)
        At the start of each month; `eaten` is the cumulated rate of leaf loss. They stand still after death.
    leaf_before : array of float, shape (plants,)
        Monthly rate of leaf loss before the treatment.
    """

    stand: Stand
    rounds: Rounds
    death_day: Floats
    changes: Changes
    treated: Bools
    log_height: NDArray[np.float32]
    workers: NDArray[np.float32]
    eaten: NDArray[np.float32]
    leaf_before: Floats


def between_months(series: NDArray[np.float32], plant: Ints, day: Floats) -> Floats:
    """Read a monthly series (plants, months + 1) at days in between, by straight lines."""
    at = np.clip(np.asarray(day, dtype=np.float64) / MONTH_DAYS, 0.0, series.shape[1] - 1.001)
    month = at.astype(np.int64)
    low = series[plant, month].astype(np.float64)
    return low + (at - month) * (series[plant, month + 1].astype(np.float64) - low)


class _Log:
    """Changes as they come, gathered and sorted at the end."""

    def __init__(self) -> None:
        self.parts: list[tuple[Ints, Floats, Ints, Ints, Ints]] = []

    def add(self, which: Bools, day: Floats, before: Ints, after: Ints, cause: Ints | Cause) -> None:
        """Note the change of the plants in `which`."""
        plant = np.flatnonzero(which)
        why = np.broadcast_to(np.asarray(cause, dtype=np.int64), which.shape)[plant]
        self.parts.append((plant, day[plant], before[plant], after[plant], why))

    def note(self, plant: Ints, day: Floats, before: Ints, after: Ints, cause: Ints) -> None:
        """Note changes of single plants."""
        self.parts.append((plant, day, before, after, cause.astype(np.int64)))

    def sorted(self) -> Changes:
        """Give all changes by plant and day."""
        plant, day, before, after, cause = (np.concatenate(c) for c in zip(*self.parts, strict=True))
        order = np.lexsort((day, plant))
        return Changes(plant[order], day[order], before[order], after[order], cause[order])


def _treatment_days(spec: Spec, rounds: Rounds, stand: Stand, month: int) -> tuple[Floats, Ints]:
    """Give the day of the round that falls in this month, by plant (infinity if none), and which round it is."""
    first, last = month * MONTH_DAYS, (month + 1) * MONTH_DAYS
    inside = (rounds.day >= first) & (rounds.day < last)
    inside[0] = False
    which = np.argmax(inside, axis=0)
    day = np.where(inside.any(axis=0), rounds.day[which, np.arange(spec.blocks)], np.inf)
    return day[stand.block], which[stand.block]


class _Course:
    """One study on its way through the months."""

    def __init__(self, spec: Spec, seed: int, replicate: int, turn: int) -> None:
        self.spec, self.key = spec, (seed, replicate)
        self.stand, self.rounds = make_stand(spec, seed, replicate, turn), make_rounds(spec, seed, replicate)
        n = self.stand.size
        self.effects = ant_effects(spec)
        self.growing = Growing(spec, self.stand, self.effects, seed, replicate)
        self.meeting = Meeting(spec, self.stand, founding_hazards(spec, self.stand), seed, replicate)
        self.removal = np.array([a.role == "removal" for a in spec.arms])[self.stand.arm]
        self.treated = np.zeros((spec.rounds, n), dtype=np.bool_)
        self.series = {s: np.empty((n, spec.months + 1), dtype=np.float32) for s in ("height", "workers", "eaten")}
        self.death, self.log, self.none = np.full(n, np.inf), _Log(), np.zeros(n, dtype=np.int64)
        self.occupant, self.workers = self.stand.occupant.copy(), self.stand.workers.copy()
        self.height, self.eaten = self.stand.log_height.copy(), np.zeros(n)

    def begin(self) -> None:
        """Note the state at the start and take the ants off the removal plants on day 0."""
        n = self.stand.size
        self.log.add(np.ones(n, dtype=np.bool_), np.full(n, _LONG_AGO), self.none, self.occupant, Cause.START)
        luck = stream(*self.key, Purpose.TREATING).random((2, n))
        self.treated[0] = self.removal
        off = self.removal & (self.occupant > 0) & (luck[1] < self.spec.treating.efficacy)
        self.log.add(off, np.zeros(n), self.occupant, self.none, Cause.REMOVED)
        self.occupant, self.workers = np.where(off, 0, self.occupant), np.where(off, 0.0, self.workers)

    def keep(self, month: int) -> None:
        """Write down the state at the start of a month."""
        self.series["height"][:, month] = self.height
        self.series["workers"][:, month] = self.workers
        self.series["eaten"][:, month] = self.eaten

    def live(self, month: int) -> None:
        """Live through one month."""
        spec, start = self.spec, month * MONTH_DAYS
        stop, alive = start + MONTH_DAYS, np.isinf(self.death)
        hazard = death_hazard(spec, self.stand, self.effects, self.occupant, self.height)
        dies = start + MONTH_DAYS * stream(*self.key, Purpose.DEATH, month).standard_exponential(len(alive)) / hazard
        growth = self.growing.step(month, self.occupant)
        loss = leaf_loss(spec, self.stand, self.effects, self.occupant)
        self._occupy(month, alive, np.minimum(dies, stop))
        self.death = np.where(alive & (dies < stop), dies, self.death)
        lives = np.isinf(self.death)
        self.height = np.where(lives, self.height + growth, self.height)
        self.eaten = np.where(lives, self.eaten + loss, self.eaten)
        self.occupant = np.where(lives, self.occupant, 0)
        self.workers = self.meeting.grown(self.occupant, self.workers, self.height)

    def _occupy(self, month: int, alive: Bools, end: Floats) -> None:
        """Let occupants change, by themselves and by treatment, before each plant's `end` of the month."""
        n, before = self.stand.size, Held(self.occupant, self.workers)
        treat_day, which = _treatment_days(self.spec, self.rounds, self.stand, month)
        start = np.full(n, month * MONTH_DAYS)
        self._change(month * _DRAWS, before, start, np.where(alive, np.minimum(end, treat_day), -np.inf))
        there = alive & (treat_day < end)
        if not there.any():
            return
        luck = stream(*self.key, Purpose.TREATING, month + 1).random((2, n))
        seen = there & self.removal & (self.occupant > 0) & self.rounds.looked[which, np.arange(n)]
        treat = seen & (luck[0] < self.spec.treating.retreated)
        self.treated[which[treat], np.flatnonzero(treat)] = True
        off = treat & (luck[1] < self.spec.treating.efficacy)
        self.log.add(off, treat_day, self.occupant, self.none, Cause.REMOVED)
        self.occupant, self.workers = np.where(off, 0, self.occupant), np.where(off, 0.0, self.workers)
        self._change(month * _DRAWS + _CHANGES, before, treat_day, np.where(there, end, -np.inf))

    def _change(self, step: int, before: Held, start: Floats, end: Floats) -> None:
        """Let occupants change by themselves from `start` on, before `end`, a few times at most."""
        which, now = np.flatnonzero(end > start), start
        for k in range(_CHANGES):
            turn = self.meeting.turn(step + k, which, Held(self.occupant, self.workers), before)
            when = now[which] + MONTH_DAYS * turn.wait
            happens = when < end[which]
            which, when = which[happens], when[happens]
            if not len(which):
                return
            old, new, taken = self.occupant[which], turn.occupant[happens], turn.taken[happens]
            alone = np.where(old == 0, Cause.SETTLED, np.where(new == 0, Cause.LOST, Cause.MATURED))
            self.log.note(which, when, old, new, np.where(taken, Cause.TAKEN, alone))
            now, self.occupant, self.workers = now.copy(), self.occupant.copy(), self.workers.copy()
            now[which], self.occupant[which], self.workers[which] = when, new, turn.workers[happens]


def simulate(spec: Spec, seed: int, replicate: int, turn: int = 0) -> Life:
    """Live through one study.

    Parameters
    ----------
    spec : Spec
    seed, replicate : int
        Together the key of every random number.
    turn : int
        By how many places the draw's arms are moved on; everything else keeps its random numbers.
    """
    course = _Course(spec, seed, replicate, turn)
    course.begin()
    for month in range(spec.months):
        course.keep(month)
        course.live(month)
    course.keep(spec.months)
    series = course.series
    return Life(
        stand=course.stand,
        rounds=course.rounds,
        death_day=course.death,
        changes=course.log.sorted(),
        treated=course.treated,
        log_height=series["height"],
        workers=series["workers"],
        eaten=series["eaten"],
        leaf_before=leaf_loss(spec, course.stand, course.effects, course.stand.occupant),
    )


def digest(spec: Spec, seed: int, replicate: int) -> str:
    """Give a short name of everything that happened: equal on every machine order and number of workers."""
    life, h = simulate(spec, seed, replicate), blake2b(digest_size=16)
    for part in (life.death_day, life.changes.plant, life.changes.day, life.changes.after, life.log_height, life.eaten):
        h.update(np.ascontiguousarray(part).tobytes())
    return h.hexdigest()
