"""Who else lives on the plants: nests of birds and wasps, scale insects and parasite ants, looked for once a year.

A nest is begun between two yearly looks with a chance that depends on whether defenders held the plant at the first
of them; it is still in use a year later with a fixed chance, whoever holds the plant then, and else may be left
behind as an old one. Scale insects and parasite ants go with the ant of the moment. Plants differ in how well they
bear nests, of both kinds alike, so that these share plants.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.life import Life, simulate
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import Bools, Floats, Ints
from domatia.lifecycle.study_rows import dates
from domatia.lifecycle.true_value import TrueValue

_NUMBER = 32
_ROUNDS = (5, 11, 17)
_AFTER_DAYS = 12
_STAYS, _LEFT_BEHIND = 0.55, 0.5
_BLOCK, _NESTING, _SCALES = 0.30, 0.70, 0.60
"""Standard deviations (log odds) between blocks, and between plants for nests and for scale insects."""
_VACANT, _FOUNDING = "vacant", "founding"


@dataclass(frozen=True)
class _Kind:
    """One kind: log odds on vacant plants, what holders add, spread between plants, and whether it outlives colonies.

    `ants` by place in the specification's list; `founding` for plants with a founding queen.
    """

    name: str
    odds: float
    ants: tuple[float, float, float, float]
    founding: float
    plant: float
    nest: bool


KINDS = (
    _Kind("bird nest", -2.3, (1.1, 1.1, 1.1, 0.0), 0.0, _NESTING, nest=True),
    _Kind("wasp nest", -2.0, (0.8, 0.8, 0.8, 0.0), 0.0, _NESTING, nest=True),
    _Kind("scale insects", -1.3, (0.9, 0.4, 0.2, 1.3), 0.2, _SCALES, nest=False),
    _Kind("parasite ant", -2.7, (-0.9, -0.9, -0.9, 0.4), 0.8, 0.0, nest=False),
)


def _adds(spec: Spec, kind: _Kind, occupant: Ints) -> Floats:
    """Give what each occupant adds to the log odds; ants beyond the fourth do as the fourth."""
    ants = [kind.ants[min(i, 3)] for i in range(len(spec.ants))]
    table = np.array([0.0, *ants, *([kind.founding] * len(spec.ants))])
    return np.asarray(spec.help * table[occupant], dtype=np.float64)


def _rounds(spec: Spec) -> list[int]:
    return [r for r in _ROUNDS if r < spec.rounds] or [spec.rounds - 1]


def _day(life: Life, round_: int) -> Floats:
    return np.asarray(life.rounds.day[round_, life.stand.block], dtype=np.float64)


def _logistic(odds: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-odds)), dtype=np.float64)


def draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Look for each kind on all plants found alive, some days after every sixth round."""
    spec, life = book.spec, book.life
    n = life.stand.size
    of_block = _BLOCK * rng.standard_normal((len(KINDS), spec.blocks))
    nesting, scales = rng.standard_normal((2, n))
    there, old = np.zeros((len(KINDS), n), dtype=np.bool_), np.zeros((len(KINDS), n), dtype=np.bool_)
    held = life.changes.at(np.arange(n), _day(life, _rounds(spec)[0]))
    parts = []
    for r in _rounds(spec):
        day = _day(life, r)
        now = life.changes.at(np.arange(n), day)
        at = np.flatnonzero(life.rounds.found[r] & life.rounds.reached[r] & (life.death_day > day + _AFTER_DAYS))
        at = at[life.rounds.searched[r, life.stand.block[at]] > 0]
        for k, kind in enumerate(KINDS):
            own = kind.plant * (nesting if kind.nest else scales) + of_block[k][life.stand.block]
            chance = _logistic(kind.odds + _adds(spec, kind, held if kind.nest else now) + own)
            stays = kind.nest & there[k] & (rng.random(n) < _STAYS)
            left = there[k] & ~stays & (rng.random(n) < _LEFT_BEHIND)
            begun = (rng.random(n) < chance) & ~(kind.nest & there[k])
            there[k], old[k] = stays | begun, kind.nest & left & ~begun
            parts.append(_rows(book, (at, kind.name, there[k][at], old[k][at]), r))
        held = now
    return {"associate": pl.concat(parts)}


def _rows(book: Notebook, found: tuple[Ints, str, Bools, Bools], round_: int) -> pl.DataFrame:
    spec, life = book.spec, book.life
    at, kind, there, old = found
    block = life.stand.block[at]
    state = np.where(there, "active", np.where(old, "old", ""))
    return pl.DataFrame(
        {
            "plant": at,
            "when": dates(spec, life.rounds.block_start[block] + life.rounds.day[round_, block] + _AFTER_DAYS),
            "kind": [kind] * len(at),
            "state": pl.Series(state.tolist(), dtype=pl.String).replace("", None),
            "present": (there | old).tolist(),
        }
    )


def truth(spec: Spec, seed: int) -> Iterable[TrueValue]:
    """Count on many plants, each living once under each arm, with chances in place of outcomes."""
    big, arms = spec.sized(48, spec.plants_per_block), len(spec.arms)
    count = _Count(big)
    for turn in range(arms):
        count.add(simulate(big, seed, 2**41 + _NUMBER, turn))
    yield from count.by_arm()
    yield from count.by_holder()


def _where(kind: _Kind) -> str:
    return f"{kind.name}, {'new since the look before' if kind.nest else 'there at the look'}"


def _told(spec: Spec, name: str, kind: _Kind, values: Floats) -> Iterable[TrueValue]:
    """Name the values of each ant and of founding queens against vacant plants."""
    for holder, value in zip((*(a.name for a in spec.ants), _FOUNDING), values.tolist(), strict=True):
        yield TrueValue("associates", f"{name}_as_occupied", holder, _VACANT, _where(kind), value, "1")


def _by_state(sums: Floats, ants: int) -> Floats:
    """Put all plants with a founding queen together: last axes occupant and (looks, chances)."""
    young = sums[..., 1 + ants :, :].sum(axis=-2, keepdims=True)
    return np.concatenate([sums[..., : 1 + ants, :], young], axis=-2)


def _odds_ratios(sums: Floats) -> Floats:
    """Turn sums of looks and of chances by state, shape (states, 2), into odds ratios against vacant plants."""
    odds = sums[:, 1] / (sums[:, 0] - sums[:, 1])
    return np.asarray(odds[1:] / odds[0], dtype=np.float64)


def _differences(sums: Floats) -> Floats:
    """Turn sums by block and state, shape (blocks, states, 2), into differences of shares within blocks."""
    n, n0 = sums[:, 1:, 0], sums[:, :1, 0]
    weight = n * n0 / np.maximum(n + n0, 1e-300)
    gap = sums[:, 1:, 1] / np.maximum(n, 1e-300) - sums[:, :1, 1] / np.maximum(n0, 1e-300)
    return np.asarray((gap * weight).sum(axis=0) / weight.sum(axis=0), dtype=np.float64)


_U, _W = np.polynomial.hermite_e.hermegauss(9)
_W = _W / _W.sum()


class _Count:
    """Sums of chances over simulated plants, plant effects integrated out, at the mean block."""

    def __init__(self, spec: Spec) -> None:
        self.spec = spec
        self.share = np.zeros((len(KINDS), len(spec.arms), 2))
        self.first = np.zeros((len(KINDS), spec.blocks, len(spec.arms), 2))
        self.held = np.zeros((len(KINDS), 2 * len(spec.ants) + 1, 2))
        self.looks = np.zeros((len(KINDS), spec.blocks, *self.held.shape[1:]))
        self.both = np.zeros((len(KINDS), len(KINDS), 2, 2))

    def add(self, life: Life) -> None:
        """Go through the looks of one life."""
        spec, n = self.spec, life.stand.size
        rounds = _rounds(spec)
        held = life.changes.at(np.arange(n), _day(life, rounds[0]))
        before = np.zeros((len(KINDS), n, len(_U)))
        spread = _BLOCK * _U
        for step, r in enumerate(rounds):
            day = _day(life, r)
            now = life.changes.at(np.arange(n), day)
            alive = life.death_day > day + _AFTER_DAYS
            chances = []
            for k, kind in enumerate(KINDS):
                odds = kind.odds + _adds(spec, kind, held if kind.nest else now)
                # the block's own part is averaged over, so that shares are those of all blocks
                each = _logistic(odds[:, None, None] + kind.plant * _U[:, None] + spread) @ _W
                weight = (1.0 - before[k]) if kind.nest else np.ones((n, len(_U)))
                if not kind.nest or step > 0:
                    sums = np.stack([weight @ _W, (weight * each) @ _W], axis=1)
                    self._note(k, life, (held if kind.nest else now, alive), sums, first=step == int(kind.nest))
                before[k] = before[k] * _STAYS + (1.0 - before[k]) * each if kind.nest else each
                chances.append(before[k])
            if step == 0:
                self._pairs(chances, alive)
            held = now

    def _note(self, k: int, life: Life, at: tuple[Ints, Bools], sums: Floats, *, first: bool) -> None:
        held, alive = at
        there = alive
        arm, block = life.stand.arm[there], life.stand.block[there]
        np.add.at(self.share[k], arm, sums[there])
        np.add.at(self.looks[k], (block, held[there]), sums[there])
        if first:
            np.add.at(self.first[k], (block, arm), sums[there])
            np.add.at(self.held[k], held[there], sums[there])

    def _pairs(self, chances: list[Floats], there: Bools) -> None:
        for i, one in enumerate(chances):
            for j, other in enumerate(chances):
                # nests share the plant's own part; kinds with parts of their own are independent
                p, q = one[there], other[there]
                alike = KINDS[i].nest and KINDS[j].nest
                a = (p * q) @ _W if alike else (p @ _W) * (q @ _W)
                x, y = p @ _W, q @ _W
                self.both[i, j] += [[a.sum(), (x - a).sum()], [(y - a).sum(), (1 - x - y + a).sum()]]

    def by_arm(self) -> Iterable[TrueValue]:
        """Give the differences of shares and the odds ratios within blocks, by treatment."""
        at = {a.role: i for i, a in enumerate(self.spec.arms)}
        for of, against in (("removal", "sham"), ("removal", "control"), ("sham", "control")):
            if of not in at or against not in at:
                continue
            i, j = at[of], at[against]
            names = (self.spec.arms[i].name, self.spec.arms[j].name)
            for k, kind in enumerate(KINDS):
                where = _where(kind)
                share = self.share[k, :, 1] / self.share[k, :, 0]
                yield TrueValue("associates", "share_difference", *names, where, float(share[i] - share[j]), "1")
                p = self.first[k, :, :, 1] / np.maximum(self.first[k, :, :, 0], 1e-300)
                gap = np.log(p[:, i] / (1 - p[:, i])) - np.log(p[:, j] / (1 - p[:, j]))
                weight = 1.0 / (1.0 / (p[:, i] * (1 - p[:, i])) + 1.0 / (p[:, j] * (1 - p[:, j])))
                value = float(np.exp((gap * weight).sum() / weight.sum()))
                yield TrueValue("associates", "odds_ratio_exact", *names, where, value, "1")

    def by_holder(self) -> Iterable[TrueValue]:
        """Compare holders with vacant plants, and give the odds ratios of two kinds on one plant."""
        ants = len(self.spec.ants)
        for k, kind in enumerate(KINDS):
            yield from _told(self.spec, "odds_ratio_exact", kind, _odds_ratios(_by_state(self.held[k], ants)))
            yield from _told(self.spec, "share_difference", kind, _differences(_by_state(self.looks[k], ants)))
        order = sorted(range(len(KINDS)), key=lambda k: KINDS[k].name)
        for a, i in enumerate(order):
            for j in order[a + 1 :]:
                t = self.both[i, j]
                value = float(t[0, 0] * t[1, 1] / (t[0, 1] * t[1, 0]))
                where = "on one plant, at the first look for both"
                names = (KINDS[i].name, KINDS[j].name)
                yield TrueValue("associates", "odds_ratio_together", *names, where, value, "1")


ASSOCIATES = Layer("associates", _NUMBER, ("associates",), draw, truth)
