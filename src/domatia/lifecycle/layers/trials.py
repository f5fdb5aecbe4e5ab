"""Trials: an intruder is put on a plant and watched for ten minutes, at two rounds a year apart. All of it invented.

On a part of the plants of every block and treatment the crew lets a caterpillar and a beetle loose, on a few a lizard.
Strays meet an intruder on vacant plants too, only rarely. A met intruder may be attacked and put off; it may leave at
any time unless it is tied; wind ends some watches, and the crew is called away from others. Some sheets leave out what
ants did, or why a stopped watch stopped.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.layers.trials_truth import Watched, true_values
from domatia.lifecycle.life import Life, simulate
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import Bools, Floats, Ints
from domatia.lifecycle.streams import Purpose, stream
from domatia.lifecycle.true_value import TrueValue

CATERPILLAR, BEETLE, LIZARD = 0, 1, 2
NAMES = ("tent caterpillar", "bark beetle", "moss lizard")
KINDS = ("insect", "insect", "vertebrate")
WATCH_S = 600.0
PLANTS, LATER_DAYS = 5, 2
"""Plants of each treatment in each block; days after the crew's round."""
ROUNDS = (3, 8)
MEETS_S, PUTS_OFF_S, LEAVES_S, WIND_S = 2500.0, 1500.0, (2200.0, 1300.0, 450.0), 8000.0
MEETS_ANTS, PUTS_OFF_ANTS = (2.9, 2.4, 1.9, 0.9), (2.3, 1.8, 1.2, 0.1)
MEETS_KIND, PUTS_OFF_KIND = (0.0, -0.35, 0.5), (0.0, -0.5, -1.6)
ATTACKS_START, ATTACKS_ANTS = -1.2, (1.9, 1.4, 0.9, 0.0)
AGAIN_MIN, AGAIN_ANTS = 0.5, (1.0, 0.7, 0.5, 0.1)
PLANT, BLOCK = 0.40, 0.25
TIED, CALLED_AWAY, NOTHING_SAID, NO_REASON = 0.25, 0.06, 0.03, 0.3
RESPONSES = ("1 ignored", "2 inspected", "3 threatened", "4 bitten", "5 pinned", "6 carried off")
NUMBER = 51


@dataclass(frozen=True)
class Setting:
    """Where trials take place: ants on the plant, intruder, plant and block, one entry a trial."""

    occupant: Ints
    kind: Ints
    plant: Floats
    block: Floats


def _of_ants(spec: Spec, values: tuple[float, ...], occupant: Ints) -> Floats:
    """Give what the occupant adds; founding queens do nothing."""
    n = len(spec.ants)
    listed = np.array([0.0, *(values[min(i, len(values) - 1)] for i in range(n)), *([0.0] * n)])
    return np.asarray(spec.help * listed[occupant], dtype=np.float64)


def watch(spec: Spec, at: Setting, rng: np.random.Generator) -> Watched:
    """Let the trials happen."""
    n = len(at.kind)
    nature = at.plant + at.block
    meets = np.exp(_of_ants(spec, MEETS_ANTS, at.occupant) + np.array(MEETS_KIND)[at.kind] + nature) / MEETS_S
    off = np.exp(_of_ants(spec, PUTS_OFF_ANTS, at.occupant) + np.array(PUTS_OFF_KIND)[at.kind] + nature) / PUTS_OFF_S
    met = rng.exponential(1.0, n) / meets
    excluded = met + rng.exponential(1.0, n) / off
    tied = (rng.random(n) < TIED) & (at.kind == CATERPILLAR)
    left = np.where(tied, np.inf, rng.exponential(1.0, n) * np.array(LEAVES_S)[at.kind])
    wind = rng.exponential(WIND_S, n)
    planned = np.where(rng.random(n) < CALLED_AWAY, rng.uniform(60.0, WATCH_S, n), WATCH_S)
    end = np.minimum(np.minimum(excluded, left), np.minimum(wind, planned))
    cause = np.select([end == excluded, end == left], [1, 2], 0)
    touched = met <= end
    minutes = np.where(touched, end - np.minimum(met, end), 0.0) / 60.0
    again = AGAIN_MIN * np.exp(_of_ants(spec, AGAIN_ANTS, at.occupant))
    contacts = np.where(touched, 1 + rng.poisson(again * minutes), 0)
    eta = ATTACKS_START + _of_ants(spec, ATTACKS_ANTS, at.occupant)
    attacks = np.maximum(rng.binomial(contacts, 1.0 / (1.0 + np.exp(-eta))), cause == 1)
    mild, hard = rng.choice(3, n, p=(0.4, 0.4, 0.2)), 3 + (rng.random(n) < 0.15 * np.minimum(attacks, 4))
    grade = np.where(attacks == 0, mild, np.where((cause == 1) & (rng.random(n) < 0.6), 5, hard))
    grade = np.where(touched, grade, -1)
    whole = np.ceil(end)
    return Watched(
        met=np.where(touched, np.minimum(np.ceil(met), whole), np.inf),
        end=whole,
        cause=cause.astype(np.int64),
        by_wind=wind <= end,
        tied=tied,
        contacts=contacts.astype(np.int64),
        attacks=attacks.astype(np.int64),
        grade=grade.astype(np.int64),
    )


def _days(life: Life, round_: int, plant: Ints) -> Floats:
    return np.asarray(life.rounds.day[round_, life.stand.block[plant]] + float(LATER_DAYS), dtype=np.float64)


def _rounds(spec: Spec) -> tuple[int, ...]:
    return tuple(r for r in ROUNDS if r < spec.rounds) or (spec.rounds - 1,)


def _chosen(book: Notebook, rng: np.random.Generator) -> Ints:
    """Draw the plants, the same number of each treatment in each block."""
    stand = book.life.stand
    luck = rng.random(stand.size)
    order = np.lexsort((luck, stand.arm, stand.block))
    cell = stand.block[order] * len(book.spec.arms) + stand.arm[order]
    first = np.concatenate([[True], cell[1:] != cell[:-1]])
    place = np.arange(len(cell)) - np.maximum.accumulate(np.where(first, np.arange(len(cell)), 0))
    return np.sort(order[place < PLANTS])


def draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Draw the plants and the trials on those that live."""
    spec, life = book.spec, book.life
    chosen = _chosen(book, rng)
    lizards = np.isin(chosen, chosen[np.unique(_cells(book, chosen), return_index=True)[1]])
    own, block = PLANT * rng.standard_normal(len(chosen)), BLOCK * rng.standard_normal(spec.blocks)
    parts = []
    for round_ in _rounds(spec):
        day = _days(life, round_, chosen)
        alive = life.death_day[chosen] > day
        for kind in (CATERPILLAR, BEETLE, LIZARD):
            at = np.flatnonzero(alive & (lizards if kind == LIZARD else True))
            if kind == LIZARD and round_ != _rounds(spec)[-1]:
                continue
            plant = chosen[at]
            occupant = life.changes.at(plant, day[at])
            sort = np.full(len(at), kind, dtype=np.int64)
            setting = Setting(occupant, sort, own[at], block[life.stand.block[plant]])
            since = life.rounds.block_start[life.stand.block[plant]] + day[at].astype(np.int64)
            parts.append(_written(spec, plant, since, (kind, watch(spec, setting, rng)), rng))
    return {"trial": pl.concat(parts)}


def _cells(book: Notebook, plants: Ints) -> Ints:
    stand = book.life.stand
    return stand.block[plants] * len(book.spec.arms) + stand.arm[plants]


def _written(spec: Spec, plant: Ints, day: Ints, seen: tuple[int, Watched], rng: np.random.Generator) -> pl.DataFrame:
    kind, w = seen
    n = len(plant)
    night = rng.random(n) < 0.3
    minute = np.where(night, rng.integers(19 * 60, 23 * 60, n), rng.integers(7 * 60, 17 * 60, n))
    moment = np.datetime64(spec.start, "us") + day.astype("timedelta64[D]") + minute.astype("timedelta64[m]")
    ended = np.select([w.cause == 1, w.cause == 2, w.by_wind], ["excluded", "intruder left", "fell by wind"], "time up")
    silent = (w.cause == 0) & ~w.by_wind & (w.end < WATCH_S) & (rng.random(n) < NO_REASON)
    blank = rng.random(n) < NOTHING_SAID
    met = np.isfinite(w.met)

    def column(values: Bools | Ints | Floats, kept: Bools, dtype: type[pl.DataType]) -> pl.Series:
        return pl.Series(values).cast(dtype).set(pl.Series(~kept), None)

    return pl.DataFrame(
        {
            "plant": plant,
            "when": pl.Series(moment),
            "intruder": [NAMES[kind]] * n,
            "intruder_kind": [KINDS[kind]] * n,
            "tethered": w.tied,
            "watched_s": w.end,
            "first_contact_s": column(np.where(met, w.met, 0.0), met & ~blank, pl.Float64),
            "contacts": column(w.contacts, ~blank, pl.Int64),
            "attacks": column(w.attacks, ~blank, pl.Int64),
            "excluded_s": column(w.end, w.cause == 1, pl.Float64),
            "response": pl.Series([RESPONSES[g] if g >= 0 else None for g in w.grade], dtype=pl.String).set(
                pl.Series(blank), None
            ),
            "ended": pl.Series(ended.tolist()).set(pl.Series(silent), None),
            "day_part": np.where(night, "night", "day").tolist(),
        }
    )


_REPEATS, _YEARS = 2, 1.4
"""Trials of each intruder on each plant; years lived through, enough for the last round of `ROUNDS`."""


def truth(spec: Spec, seed: int) -> Iterable[TrueValue]:
    """Count on many plants, each living once under each treatment."""
    big = replace(spec.sized(120, spec.plants_per_block), years=min(spec.years, _YEARS))
    arms = len(spec.arms)
    rng = stream(seed, 0, Purpose.LAYERS, 1000 * NUMBER)
    settings: list[tuple[Ints, Setting]] = []
    for turn in range(arms):
        life = simulate(big, seed, 2**42, turn)
        plants = np.arange(life.stand.size)
        for round_ in _rounds(big):
            day = _days(life, round_, plants)
            alive = np.flatnonzero(life.death_day > day)
            occupant = life.changes.at(alive, day[alive])
            for kind in (CATERPILLAR, BEETLE, LIZARD):
                if kind == LIZARD and round_ != _rounds(big)[-1]:
                    continue
                for _ in range(_REPEATS):
                    n = len(alive)
                    sort = np.full(n, kind, dtype=np.int64)
                    at = Setting(occupant, sort, PLANT * rng.standard_normal(n), BLOCK * rng.standard_normal(n))
                    settings.append((life.stand.arm[alive], at))
    arm = np.concatenate([a for a, _ in settings])
    whole = Setting(
        *(np.concatenate([getattr(s, f) for _, s in settings]) for f in ("occupant", "kind", "plant", "block"))
    )
    seen = watch(spec, whole, rng)
    defends = np.array([0, *(1 if a.defends else 2 for a in spec.ants), *([2] * len(spec.ants))])[whole.occupant]
    for vertebrate in (False, True):
        own = np.flatnonzero((whole.kind == LIZARD) == vertebrate)
        label = "vertebrates, " if vertebrate else ""
        yield from true_values(spec, label, seen.take(own), (arm[own], whole.kind[own], defends[own]))


TRIALS = Layer("trials", NUMBER, ("intruders",), draw, truth)
