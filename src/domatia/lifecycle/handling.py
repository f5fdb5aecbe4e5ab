"""What the crew does to plants, and which tags they bear: interventions and tags, with their days."""

from dataclasses import dataclass

import numpy as np

from domatia.lifecycle.life import Life
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import Ints
from domatia.lifecycle.streams import Purpose, stream

INSECTICIDE, MECHANICAL, SHAM = range(3)
KINDS = ("insecticide", "mechanical removal", "sham")
WEATHER = ("dry, still", "overcast", "light wind", "drizzle before")


@dataclass(frozen=True)
class Interventions:
    """What was done: plant, round (0 is the first treatment), day since the study's start, kind, operator, weather."""

    plant: Ints
    round_: Ints
    day: Ints
    kind: Ints
    operator: Ints
    weather: Ints


@dataclass(frozen=True)
class Tags:
    """Tags in the order in which they were put on.

    Attributes
    ----------
    plant, number : array of int
    first, last : array of int
        Days since the study's start; `last` is -1 while the plant still bears it.
    former : array of int
        Number that it takes the place of, -1 for a first tag.
    """

    plant: Ints
    number: Ints
    first: Ints
    last: Ints
    former: Ints


def handle_plants(spec: Spec, life: Life, seed: int, replicate: int) -> Interventions:
    """Give all treatments: the first on day 0, later ones where ants were seen; shams are repeated about as often."""
    role = np.array([a.role for a in spec.arms])[life.stand.arm]
    block, rounds, n = life.stand.block, life.rounds, life.stand.size
    parts: list[tuple[Ints, Ints, Ints]] = []
    for r in range(spec.rounds):
        u = stream(seed, replicate, Purpose.TREATING, 1000 + r).random(n)
        day = np.zeros(n, dtype=np.int64) if r == 0 else rounds.day[r, block]
        there = rounds.looked[r] & (life.death_day > day)
        share = life.treated[r].sum() / max(int((there & (role == "removal")).sum()), 1)
        shammed = (role == "sham") & ((r == 0) | (there & (u < share)))
        done = np.flatnonzero(life.treated[r] | shammed)
        parts.append((done, np.full(len(done), r), rounds.block_start[block[done]] + day[done]))
    plant, round_, when = (np.concatenate(c).astype(np.int64) for c in zip(*parts, strict=True))
    rng = stream(seed, replicate, Purpose.TREATING, 2000)
    by_hand = (rng.random(len(plant)) < 0.15) & (round_ > 0)
    kind = np.where(role[plant] == "sham", SHAM, np.where(by_hand, MECHANICAL, INSECTICIDE))
    dealt = rng.integers(0, len(spec.crew.people), (spec.rounds, spec.blocks))
    sky = rng.integers(0, len(WEATHER), (spec.rounds, spec.blocks))
    at = (round_, block[plant])
    return Interventions(plant, round_, when, kind.astype(np.int64), dealt[at], sky[at])


def tag_plants(spec: Spec, life: Life, seed: int, replicate: int) -> Tags:
    """Give the tag history: numbers run on through the blocks, lost tags are replaced by new numbers."""
    n, rounds, block = life.stand.size, life.rounds, life.stand.block
    number = np.arange(n) + 101
    first = rounds.block_start[block] + rounds.day[0, block]
    plants, numbers, firsts, formers = [np.arange(n)], [number.copy()], [first], [np.full(n, -1)]
    lasts, row_of, following = [np.full(n, -1)], np.arange(n), n + 101
    for r in range(1, spec.rounds):
        u = stream(seed, replicate, Purpose.TAGS, r).random(n)
        alive = rounds.found[r] & (life.death_day > rounds.day[r, block])
        lost = np.flatnonzero(alive & (u < spec.crew.tag_lost))
        when = rounds.block_start[block[lost]] + rounds.day[r, block[lost]]
        flat = np.concatenate(lasts)
        flat[row_of[lost]] = when
        row_of[lost] = len(flat) + np.arange(len(lost))
        fresh = following + np.arange(len(lost))
        following += len(lost)
        plants.append(lost)
        numbers.append(fresh)
        firsts.append(when)
        formers.append(number[lost])
        lasts = [flat, np.full(len(lost), -1)]
        number[lost] = fresh
    joined = (np.concatenate(c).astype(np.int64) for c in (plants, numbers, firsts, lasts, formers))
    return Tags(*joined)
