"""What plants give their ants: nectar made and nectar left, food bodies, domatia opened, and what was weighed once."""

from collections.abc import Iterable, Mapping

import numpy as np
import numpy.typing as npt
import polars as pl

from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.life import Life, between_months, simulate
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import YEAR_DAYS, Spec
from domatia.lifecycle.stand import Floats, Ints
from domatia.lifecycle.streams import Purpose, stream
from domatia.lifecycle.study_rows import dates
from domatia.lifecycle.tally_damage import damage
from domatia.lifecycle.true_value import TrueValue

_NUMBER = 61
_PLANTS = 3
"""Plants a block and round, of each kind of measure but opened domatia."""
_DRY = (12, 1, 2, 3)
_DRY_NECTAR, _DRY_FOOD, _DRY_STANDING = 0.60, 0.75, 0.70
_MADE, _LEFT = 1.9, 0.5
"""µL a nectary: made in a day with ants kept off; standing where ants drink."""
_SWEET, _SWEET_SD = 24.0, 5.0
_NECTARIES, _SHOOTS = 18.0, 9.0
_BODY, _BODIES = 0.11, 7.0
"""mg a body; bodies a shoot and day."""
_WORKERS, _OPENED, _OPENED_PLANTS = 14.0, 6, 4
_FOOD_ENERGY, _FOOD_ENERGY_SD, _DOMATIUM_MG, _DOMATIUM_SD = 22.0, 1.5, 310.0, 40.0
_LEAF_CM2, _LEAF_CM2_SD, _LEAF_MG, _LEAF_MG_SD, _LEAF_J, _LEAF_J_SD = 62.0, 7.0, 7.5, 0.6, 18.0, 0.8
_WEIGHED = 6
_PIECES = 3
_PLANT, _BLOCK, _NOISE = 0.35, 0.20, 0.30
_WARM, _WARM_SD = 26.0, 2.0
_A_DEGREE = 0.077
"""By how much a sucrose reading falls a degree above 20 °C, near enough between 20 and 30."""
_BLANK = 0.02


def _sugar_mg(volume: Floats, per_cent: Floats) -> Floats:
    """Give mg of sugar by the density of sucrose solutions at 20 °C (Prys-Jones & Corbet)."""
    return np.asarray(volume * per_cent / 100 * (0.9988603 + 0.0037291 * per_cent + 0.0000178 * per_cent**2))


def _in_season(month: Ints, factor: float) -> Floats:
    return np.where(np.isin(month, _DRY), factor, 1.0)


def _luck(n: int, sd: float, rng: np.random.Generator) -> Floats:
    """Draw factors about one."""
    return np.asarray(np.exp(sd * rng.standard_normal(n) - sd**2 / 2))


def _drawn(book: Notebook, round_: int, number: int, rng: np.random.Generator) -> Ints:
    """Draw living plants that are found, so many a block."""
    return _among(book, round_, number, book.life.rounds.found[round_], rng)


def _among(book: Notebook, round_: int, number: int, fit: npt.NDArray[np.bool_], rng: np.random.Generator) -> Ints:
    """Draw living plants among those that are fit, so many a block."""
    life, spec = book.life, book.spec
    day = life.rounds.day[round_, life.stand.block].astype(np.float64)
    ready = fit & (life.death_day > day)
    luck = np.where(ready, rng.random(spec.n_plants), np.inf).reshape(spec.blocks, -1)
    order = np.argsort(luck, axis=1)[:, :number]
    kept = np.isfinite(np.take_along_axis(luck, order, axis=1))
    slots = order + np.arange(spec.blocks)[:, None] * spec.plants_per_block
    return np.asarray(slots[kept], dtype=np.int64)


def _own(book: Notebook, plants: Ints, which: int) -> Floats:
    """Give the nature of plants and blocks, which stays over the rounds."""
    nature = stream(book.seed, book.replicate, Purpose.LAYERS, 1000 + _NUMBER)
    spec = book.spec
    plant = _luck(3 * spec.n_plants, _PLANT, nature).reshape(3, -1)[which]
    block = _luck(3 * spec.blocks, _BLOCK, nature).reshape(3, -1)[which]
    return np.asarray(plant[plants] * block[book.life.stand.block[plants]])


def _when(book: Notebook, round_: int, plants: Ints) -> pl.Series:
    life, block = book.life, book.life.stand.block[plants]
    return dates(book.spec, life.rounds.block_start[block] + life.rounds.day[round_, block])


def _months(when: pl.Series) -> Ints:
    return np.asarray(when.dt.month().cast(pl.Int64).to_numpy())


def _nectar(book: Notebook, round_: int, kind: str, rng: np.random.Generator) -> pl.DataFrame:
    plants = _drawn(book, round_, _PLANTS, rng)
    n, when = len(plants), _when(book, round_, plants)
    made = kind == "production"
    level = _MADE if made else _LEFT
    volume = level * _in_season(_months(when), _DRY_NECTAR if made else _DRY_STANDING) * _own(book, plants, 0)
    sampled = rng.integers(3, 7, n)
    hours = np.where(rng.random(n) < 0.8, 24.0, 12.0) if made else np.full(n, np.nan)
    taken = sampled * volume * _luck(n, _NOISE, rng) * (hours / 24.0 if made else 1.0)
    sweet = np.clip(_SWEET + _SWEET_SD * rng.standard_normal(n), 5.0, 60.0)
    diluted = np.where(taken < 1.0, 2.0, 1.0)
    # a solution of so much sugar by weight in twice the volume reads so much
    read = np.where(diluted > 1, _thinned(sweet), sweet)
    corrects = rng.random(n) < 0.5
    warm = np.round(_WARM + _WARM_SD * rng.standard_normal(n), 1)
    shown = np.where(corrects, read, read - _A_DEGREE * (warm - 20.0))
    blank = rng.random(n) < _BLANK
    return pl.DataFrame(
        {
            "plant": plants,
            "when": when,
            "ants_excluded": [made] * n,
            "bagged_h": pl.Series(hours).fill_nan(None),
            "kind": [kind] * n,
            "nectaries": sampled,
            "nectaries_on_plant": rng.poisson(_NECTARIES, n),
            "volume_ul": np.round(taken, 2),
            "dilution": diluted,
            "brix_pct": pl.Series(np.round(shown, 1)).set(pl.Series(blank), None),
            "temperature_c": warm,
            "corrects_temperature": corrects,
        }
    )


def _thinned(per_cent: Floats) -> Floats:
    """Give the per cent by weight after the volume was doubled with water: the same sugar, found by halving."""
    low, high = np.zeros_like(per_cent), per_cent.copy()
    wanted = _sugar_mg(np.ones_like(per_cent), per_cent)
    for _ in range(30):
        middle = (low + high) / 2
        more = _sugar_mg(np.full_like(middle, 2.0), middle) > wanted
        low, high = np.where(more, low, middle), np.where(more, middle, high)
    return np.asarray((low + high) / 2)


def _food(book: Notebook, round_: int, rng: np.random.Generator) -> pl.DataFrame:
    plants = _drawn(book, round_, _PLANTS, rng)
    n, when = len(plants), _when(book, round_, plants)
    shoots = rng.integers(1, 4, n)
    mean = shoots * _BODIES * _in_season(_months(when), _DRY_FOOD) * _own(book, plants, 1)
    bodies = rng.poisson(mean * _luck(n, _NOISE, rng))
    mass = np.round(bodies * _BODY * _luck(n, 0.1, rng), 3)
    return pl.DataFrame(
        {
            "plant": plants,
            "when": when,
            "hours": np.full(n, 24.0),
            "shoots": shoots,
            "shoots_on_plant": rng.poisson(_SHOOTS, n),
            "bodies": bodies,
            "dry_mg": pl.Series(mass).set(pl.Series(rng.random(n) < _BLANK), None),
        }
    )


def _opened(book: Notebook, rng: np.random.Generator) -> pl.DataFrame:
    """Open domatia of plants on which the crew had just looked for ants; those of vacant plants hold no workers."""
    round_, life = book.spec.rounds - 2, book.life
    plants = np.repeat(_among(book, round_, _OPENED_PLANTS, life.rounds.looked[round_], rng), _OPENED)
    n = len(plants)
    day = life.rounds.day[round_, life.stand.block[plants]].astype(np.float64)
    held = _held(book.spec, life, plants, day)
    mean = np.where(held, _WORKERS * _own(book, plants, 2) * _luck(n, _NOISE, rng), 0.0)
    return pl.DataFrame(
        {
            "plant": plants,
            "when": _when(book, round_, plants),
            "rank": np.tile(np.arange(1, _OPENED + 1), n // _OPENED),
            "workers": rng.poisson(mean),
            "queen": held & (rng.random(n) < 1 / _OPENED),
        }
    )


def _weighed(book: Notebook, rng: np.random.Generator) -> pl.DataFrame:
    every = (
        ("food body energy", "J/mg", _FOOD_ENERGY, _FOOD_ENERGY_SD),
        ("domatium dry mass", "mg", _DOMATIUM_MG, _DOMATIUM_SD),
        ("leaf area", "cm2", _LEAF_CM2, _LEAF_CM2_SD),
        ("leaf mass per area", "mg/cm2", _LEAF_MG, _LEAF_MG_SD),
        ("leaf energy", "J/mg", _LEAF_J, _LEAF_J_SD),
    )
    n = _WEIGHED * len(every)
    values = [np.round(mean + sd * rng.standard_normal(_WEIGHED), 2) for _, _, mean, sd in every]
    return pl.DataFrame(
        {
            "name": [name for name, *_ in every for _ in range(_WEIGHED)],
            "number": np.concatenate(values),
            "unit": [unit for _, unit, *_ in every for _ in range(_WEIGHED)],
            "when": [book.spec.start] * n,
            "row": [f"sample {i + 1}" for i in range(n)],
        }
    )


def draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Measure a few plants a block at every round but the first and the last; open domatia at the end."""
    rounds = range(1, book.spec.rounds - 1)
    nectar = [_nectar(book, r, kind, rng) for r in rounds for kind in ("production", "standing crop")]
    return {
        "nectar": pl.concat(nectar),
        "food_bodies": pl.concat([_food(book, r, rng) for r in rounds]),
        "dissection": _opened(book, rng),
        "quantity": _weighed(book, rng),
    }


def truth(spec: Spec, seed: int) -> Iterable[TrueValue]:
    """Give means over the year's months from the natures as drawn, and domatia counted on many plants."""
    sweet = np.clip(_SWEET + _SWEET_SD * stream(seed, 2**41, Purpose.LAYERS, _NUMBER).standard_normal(400_000), 5, 60)
    joules = 16.7 * float(_sugar_mg(np.ones_like(sweet), sweet).mean())
    food = _BODIES * _BODY * _SHOOTS
    share = len(_DRY) / 12
    rest = ("rewards", "all plants", "")

    def value(name: str, where: str, number: float, unit: str) -> TrueValue:
        return TrueValue(rest[0], name, rest[1], rest[2], where, number, unit)

    made = {}
    for what, name, unit, wet, dry in (
        ("nectar", "energy_per_plant_day", "J/d", _MADE * joules * _NECTARIES, _DRY_NECTAR),
        ("nectar, standing crop", "energy_standing", "J", _LEFT * joules * _NECTARIES, _DRY_STANDING),
        ("food bodies", "dry_mass_per_plant_day", "mg/d", food, _DRY_FOOD),
    ):
        made[what] = wet * (1 - share + share * dry)
        yield value(name, what, made[what], unit)
        yield value(name, f"{what}, dry months", wet * dry, unit)
        yield value(name, f"{what}, other months", wet, unit)
        yield TrueValue("rewards", "season_ratio", "dry months", "other months", what, dry, "1")
    bodies = made["food bodies"] * _FOOD_ENERGY
    yield value("energy_per_plant_day", "food bodies", bodies, "J/d")
    yield value("energy_per_plant_day", "nectar and food bodies", made["nectar"] + bodies, "J/d")
    domatia, saved = _grown(spec, seed)
    held = "plants with patrolling ants"
    yield value("workers_per_domatium", held, _WORKERS, "1")
    yield value("workers_per_plant", held, _WORKERS * domatia, "1")
    yield value("domatia_mass", held, _DOMATIUM_MG * domatia, "mg")
    yield TrueValue("rewards", "leaf_energy_saved", "with ants", "without", "leaf", saved, "J/d")
    if saved > 0:
        ratio = saved / (made["nectar"] + bodies)
        yield TrueValue("rewards", "saved_to_given_ratio", "leaf saved", "nectar and food bodies", "leaf", ratio, "1")


def _grown(spec: Spec, seed: int) -> tuple[float, float]:
    """Count domatia of plants at the last look that finds workers on them, and J of leaf saved a plant and day."""
    big, arms = spec.sized(120, spec.plants_per_block), len(spec.arms)
    domatia, leaves = np.zeros(2), np.zeros(2)
    lost, plants = np.zeros(arms), np.zeros(arms)
    roles = [a.role for a in spec.arms]
    other = roles.index("sham" if "sham" in roles else "control")
    for piece in range(_PIECES):
        life = simulate(big, seed, 2**41 + piece)
        last = _last_domatia(big, life)
        domatia += [np.nansum(last), np.isfinite(last).sum()]
        counted = damage(big, life, stream(seed, 2**41 + piece, Purpose.LEAVES, 3))
        lost, plants = lost + counted["leaf_fate"], plants + counted["leaf_fate_plants"]
        there = np.flatnonzero((life.stand.arm == other) & (life.death_day > YEAR_DAYS))
        tall = np.exp(between_months(life.log_height, there, np.full(len(there), YEAR_DAYS)))
        leaves += [(0.8 * tall**0.75).sum(), len(there)]
    share = lost / plants
    worth = leaves[0] / leaves[1] * _LEAF_CM2 * _LEAF_MG * _LEAF_J / YEAR_DAYS
    saved = (share[roles.index("removal")] - share[other]) * worth
    return float(domatia[0] / domatia[1]), float(saved)


def _held(spec: Spec, life: Life, slots: Ints, day: Floats) -> npt.NDArray[np.bool_]:
    """Tell on which plants workers patrol just before a day; a founding queen alone is none."""
    occupant = life.changes.at(slots, day - 1e-3)
    return np.asarray((occupant > 0) & (occupant <= len(spec.ants)))


def _last_domatia(big: Spec, life: Life) -> Floats:
    """Give the expected domatia of each plant at the last look that found workers on it; nan where none did."""
    slots, found = np.arange(big.n_plants), np.full(big.n_plants, np.nan)
    for r in range(big.rounds):
        day = life.rounds.day[r, life.stand.block].astype(np.float64)
        held = _held(big, life, slots, day) & (life.death_day > day) & life.rounds.looked[r]
        found = np.where(held, 0.25 * np.exp(between_months(life.log_height, slots, day)), found)
    return found


REWARDS = Layer("rewards", _NUMBER, ("rewards",), draw, truth)
