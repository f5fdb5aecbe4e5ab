"""Slips of the pen that the crew's tables hold beside the errors of its measures."""

from dataclasses import dataclass

import numpy as np

from domatia.lifecycle.crew import ALIVE, DEAD, Visits
from domatia.lifecycle.life import Life
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.stand import Floats, Ints
from domatia.lifecycle.streams import Purpose, stream

TIMES_TEN = 8
DEAD_AND_BACK = 4
DOUBLE_TAGS = 3
STRAY_PLACES = 2
WRONG_SPRAYS = 1
LINES_TWICE = 5


@dataclass(frozen=True)
class Slips:
    """Where the pen slipped.

    Attributes
    ----------
    height_cm : array of float
        Heights of all visits as written: a few have the comma in the wrong place.
    status : array of int
        Statuses as written: a few living plants are down as dead, the neighbour's line.
    first_tag : array of int
        Tag of each plant as listed: a few numbers were given twice.
    x_m : array of float
        Positions as written: a few lie outside the block.
    sprayed_control : array of int
        Control plants that the treatment list has as sprayed.
    twice : array of int
        Visits whose line was copied twice, with another height the second time.
    """

    height_cm: Floats
    status: Ints
    first_tag: Ints
    x_m: Floats
    sprayed_control: Ints
    twice: Ints


def make_slips(book: Notebook) -> Slips:
    """Draw the slips of one study's tables."""
    rng = stream(book.seed, book.replicate, Purpose.PAPER)
    visits, life = book.visits, book.life
    return Slips(
        height_cm=_heights(visits, rng),
        status=_statuses(visits, rng),
        first_tag=_tags(life, rng),
        x_m=_positions(life, rng),
        sprayed_control=rng.choice(_controls(book), WRONG_SPRAYS, replace=False),
        twice=_some(np.flatnonzero((visits.status == ALIVE) & (visits.repeat_of < 0)), LINES_TWICE, rng),
    )


def _some(which: Ints, number: int, rng: np.random.Generator) -> Ints:
    return np.sort(rng.choice(which, min(number, len(which)), replace=False))


def _heights(visits: Visits, rng: np.random.Generator) -> Floats:
    written = visits.height_cm.copy()
    seen = (visits.status == ALIVE) & (visits.round_ > 0) & (visits.repeat_of < 0)
    at = _some(np.flatnonzero(seen), TIMES_TEN, rng)
    up = np.arange(len(at)) % 2 == 0
    written[at] = np.where(up, written[at] * 10, np.maximum(np.rint(written[at] / 10), 1.0))
    return written


def _statuses(visits: Visits, rng: np.random.Generator) -> Ints:
    last = np.zeros(int(visits.plant.max()) + 1, dtype=np.int64)
    seen = (visits.status == ALIVE) & (visits.repeat_of < 0)
    np.maximum.at(last, visits.plant[seen], visits.round_[seen])
    before_last = seen & (visits.round_ > 0) & (visits.round_ < last[visits.plant])
    written = visits.status.copy()
    written[_some(np.flatnonzero(before_last), DEAD_AND_BACK, rng)] = DEAD
    return written


def _tags(life: Life, rng: np.random.Generator) -> Ints:
    tags = np.arange(life.stand.size) + 101
    pair = rng.choice(life.stand.size, 2 * DOUBLE_TAGS, replace=False)
    tags[pair[:DOUBLE_TAGS]] = tags[pair[DOUBLE_TAGS:]]
    return tags


def _positions(life: Life, rng: np.random.Generator) -> Floats:
    x = np.round(life.stand.x_m, 1)
    at = rng.choice(np.flatnonzero(x > 5.0), STRAY_PLACES, replace=False)
    x[at] *= 10
    return x


def _controls(book: Notebook) -> Ints:
    control = [i for i, a in enumerate(book.spec.arms) if a.role == "control"]
    found = np.flatnonzero(np.isin(book.life.stand.arm, control))
    return found if len(found) else np.arange(book.life.stand.size)
