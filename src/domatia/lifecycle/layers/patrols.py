"""Patrolling ants counted by day and by night: scans of a marked length, and gate counts across a line."""

from collections.abc import Iterable, Mapping

import numpy as np
import polars as pl

from domatia.lifecycle.crew import observer_of
from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import Floats, Ints
from domatia.lifecycle.streams import Purpose, stream
from domatia.lifecycle.study_lists import LATITUDE, LONGITUDE
from domatia.lifecycle.true_value import TrueValue

_NUMBER = 21
_ROUNDS = (2, 8, 14)
_PLANTS = 10
"""Plants a block at each of these rounds."""
_SCANS, _GATES = 5, 3
_MEAN = {"scan": 2.0, "gate": 1.6}
"""Log of ants a metre, and of ants a minute, of an undisturbed stem base at the mean of the clock."""
_CLOCKS = ((-0.55, 0.10, 0.08, -0.05), (0.60, 0.15, 0.05, 0.05), (0.0, 0.0, 0.0, 0.0), (-0.20, -0.15, 0.0, 0.10))
"""By ant: weights of cosine and sine of the hour, and of twice the hour; the third ant keeps no hours."""
_TIP, _DISTURBED = (0.70, 0.45, 0.30, 0.15), (0.90, 0.70, 0.55, 0.10)
_PLANT, _BLOCK, _SHAPE = 0.45, 0.25, 2.5
_LENGTHS, _TIMES = np.array([30.0, 50.0, 90.0]), np.array([60.0, 120.0])
_BLANK, _AFTER = 0.02, 0.25
_METHODS = ("scan", "gate")
_POSITIONS = ("tip", "base")


def _cycled(values: tuple[float, ...], spec: Spec) -> Floats:
    return spec.help * np.array([values[i % len(values)] for i in range(len(spec.ants))])


def _clock(spec: Spec, hour: Floats) -> Floats:
    """Give what the hour adds to the log mean, shape (ants, hours)."""
    angle = 2 * np.pi * np.asarray(hour) / 24.0
    columns = np.stack([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)])
    weights = np.array([_CLOCKS[i % len(_CLOCKS)] for i in range(len(spec.ants))])
    return np.asarray(spec.help * weights @ columns)


def sun_before_clock(day_of_year: Floats) -> Floats:
    """Give the equation of time in hours, to a minute (Spencer 1971, Search 2(5):172)."""
    g = 2 * np.pi * (np.asarray(day_of_year) - 1) / 365.0
    minutes = 229.18 * (
        0.000075 + 0.001868 * np.cos(g) - 0.032077 * np.sin(g) - 0.014615 * np.cos(2 * g) - 0.04089 * np.sin(2 * g)
    )
    return np.asarray(minutes / 60.0)


def _dawn_to_dusk(day_of_year: Floats) -> Floats:
    """Give the hours from sunrise to sunset at the invented place (declination after Spencer 1971)."""
    g = 2 * np.pi * (np.asarray(day_of_year) - 1) / 365.0
    tilt = (
        0.006918 - 0.399912 * np.cos(g) + 0.070257 * np.sin(g) - 0.006758 * np.cos(2 * g) + 0.000907 * np.sin(2 * g)
        - 0.002697 * np.cos(3 * g) + 0.00148 * np.sin(3 * g)
    )  # fmt: skip
    phi, edge = np.radians(LATITUDE), np.sin(np.radians(-0.8333))
    cosine = (edge - np.sin(phi) * np.sin(tilt)) / (np.cos(phi) * np.cos(tilt))
    return np.asarray(np.degrees(np.arccos(cosine)) * 2 / 15.0)


def _chosen(book: Notebook, round_: int, rng: np.random.Generator) -> Ints:
    """Draw, in each block, plants that live and on which the crew looked for ants; some of them are vacant."""
    life, spec = book.life, book.spec
    day = life.rounds.day[round_, life.stand.block].astype(np.float64)
    ready = life.rounds.looked[round_] & (life.death_day > day)
    luck = np.where(ready, rng.random(spec.n_plants), np.inf).reshape(spec.blocks, -1)
    order = np.argsort(luck, axis=1)[:, : min(_PLANTS, spec.plants_per_block)]
    slots = order + np.arange(spec.blocks)[:, None] * spec.plants_per_block
    kept = np.isfinite(np.take_along_axis(luck, order, axis=1))
    return np.asarray(slots[kept], dtype=np.int64)


def _counted(book: Notebook, method: str, round_: int, plants: Ints, rng: np.random.Generator) -> pl.DataFrame:
    """Count ants on these plants, at hours drawn round the clock for each plant by itself."""
    spec, life = book.spec, book.life
    number = _SCANS if method == "scan" else _GATES
    plant = np.repeat(plants, number)
    n, block = len(plant), life.stand.block[np.repeat(plants, number)]
    turn = np.tile(np.arange(number), len(plants))
    hour = (np.repeat(rng.random(len(plants)), number) + turn + 0.8 * (rng.random(n) - 0.5)) * 24.0 / number % 24.0
    day = life.rounds.day[round_, block]
    occupant = life.changes.at(plant, day - 1e-3)
    held = (occupant > 0) & (occupant <= len(spec.ants))
    ant = np.where(held, occupant - 1, 0)
    tip = rng.random(n) < 0.5
    after = rng.random(n) < _AFTER
    extent = rng.choice(_LENGTHS if method == "scan" else _TIMES, n)
    nature = stream(book.seed, book.replicate, Purpose.LAYERS, 1000 + _NUMBER)
    own = _PLANT * nature.standard_normal(spec.n_plants)
    of_block = _BLOCK * nature.standard_normal(spec.blocks)
    log_mean = _MEAN[method] + _clock(spec, hour)[ant, np.arange(n)] + own[plant] + of_block[block]
    log_mean += np.where(tip, _cycled(_TIP, spec)[ant], 0.0) + np.where(after, _cycled(_DISTURBED, spec)[ant], 0.0)
    log_mean += np.log(extent / (100.0 if method == "scan" else 60.0))
    ants = np.where(held, rng.poisson(np.exp(log_mean) * rng.gamma(_SHAPE, 1 / _SHAPE, n)), 0)
    observer = observer_of(spec, book.seed, book.replicate, np.full(n, round_), block)
    return pl.DataFrame(
        {
            "plant": plant,
            "when": _moments(spec, life.rounds.block_start[block] + day, hour),
            "observer": [spec.crew.people[o] for o in observer.tolist()],
            "method": [method] * n,
            "position": [_POSITIONS[i] for i in np.where(tip, 0, 1).tolist()],
            "length_cm": extent if method == "scan" else pl.Series([None] * n, dtype=pl.Float64),
            "seconds": extent if method == "gate" else pl.Series([None] * n, dtype=pl.Float64),
            "ants": pl.Series(ants).set(pl.Series(rng.random(n) < _BLANK), None),
            "disturbed": [("before", "after")[i] for i in after.astype(int).tolist()],
        }
    )


def _moments(spec: Spec, day: Ints, hour: Floats) -> pl.Series:
    """Give the instants, to the minute, at which the sun at the invented place shows these hours."""
    dates = np.datetime64(spec.start, "D") + day.astype("timedelta64[D]")
    of_year = (dates - dates.astype("datetime64[Y]")).astype(np.float64) + 1
    utc = hour - LONGITUDE / 15.0 - sun_before_clock(of_year)
    minutes = dates.astype("datetime64[us]") + (60_000_000 * np.rint(utc * 60)).astype("timedelta64[us]")
    return pl.Series(minutes)


def draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Count at some rounds, right after the crew looked for ants on the plant."""
    parts = []
    for round_ in (r for r in _ROUNDS if r < book.spec.rounds):
        plants = _chosen(book, round_, rng)
        parts += [_counted(book, m, round_, plants, rng) for m in _METHODS]
    return {"patrol": pl.concat(parts)}


def truth(spec: Spec, seed: int) -> Iterable[TrueValue]:
    """Give the ratios that the ants keep to, over the hours with the sun down and up on the days of the study."""
    hour: Floats = (np.arange(2880, dtype=np.float64) + 0.5) / 120.0
    of_year = np.array([(spec.start.timetuple().tm_yday + 62.0 * r) % 365 for r in _ROUNDS])
    up = (np.abs(hour - 12.0) < _dawn_to_dusk(of_year)[:, None] / 2).mean(axis=0)
    rate = np.exp(_clock(spec, hour))
    night_day = (rate @ (1 - up) / (1 - up).sum()) / (rate @ up / up.sum())
    tip, after = np.exp(_cycled(_TIP, spec)), np.exp(_cycled(_DISTURBED, spec))
    for i, ant in enumerate(spec.ants):
        for method in _METHODS:
            where = f"{method}, {ant.name}"
            yield TrueValue("patrol", "night_day_ratio", "night", "day", where, float(night_day[i]), "1")
            yield TrueValue("patrol", "tip_base_ratio", "tip", "base", where, float(tip[i]), "1")
            yield TrueValue("patrol", "disturbance_ratio", "after", "before", where, float(after[i]), "1")


PATROLS = Layer("patrols", _NUMBER, ("patrol",), draw, truth)
