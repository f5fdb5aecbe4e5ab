"""How colonies lie: nothing is recorded beside the census and the map; the truth is counted on many simulated plots.

The truth is that of the true occupants on the day of the last round in each block, with every living plant on the map
and its true light and height; ants are exchanged among plants by the same exact chances as in the question.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import polars as pl

from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.life import between_months, simulate
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import BLOCK_SIDE_M, Bools, Floats, Ints
from domatia.lifecycle.true_value import TrueValue

STUDIES = 40
_REACH = 10.0
_A_MOMENT = 1e-6
_SCHEMES = {
    "exchanged within plots": (0, 0),
    "exchanged within plots and thirds of light": (3, 0),
    "exchanged within plots and thirds of size": (0, 3),
    "exchanged within plots, halves of light and halves of size": (2, 2),
}


@dataclass(frozen=True)
class _Plots:
    """Living plants at the moment of the pattern, by block and slot: shape (blocks, slots)."""

    alive: Bools
    held: Bools
    ant: Ints
    removed: Bools
    light: Floats
    size: Floats
    x: Floats
    y: Floats

    def distances(self) -> Floats:
        """Give the distances within blocks, infinite to itself, shape (blocks, slots, slots)."""
        dx, dy = (v[:, :, None] - v[:, None, :] for v in (self.x, self.y))
        d = np.sqrt(dx * dx + dy * dy)
        d[:, np.arange(d.shape[1]), np.arange(d.shape[1])] = np.inf
        return d


def _plots(spec: Spec, seed: int) -> _Plots:
    life = simulate(spec, seed, 1)
    stand, every = life.stand, np.arange(spec.n_plants)
    day = life.rounds.day[-1, stand.block]
    before = day - _A_MOMENT
    occupant = life.changes.at(every, before)
    alive = life.death_day > before
    held = alive & (occupant >= 1) & (occupant <= len(spec.ants))
    shape = (spec.blocks, spec.plants_per_block)
    removed = np.array([a.role == "removal" for a in spec.arms])[stand.arm]
    height = between_months(life.log_height, every, before)
    return _Plots(
        alive=alive.reshape(shape),
        held=held.reshape(shape),
        ant=np.where(held, occupant - 1, -1).reshape(shape),
        removed=removed.reshape(shape),
        light=stand.light.reshape(shape),
        size=height.reshape(shape),
        x=stand.x_m.reshape(shape),
        y=stand.y_m.reshape(shape),
    )


def _classes(values: Floats, which: Bools, classes: int) -> Ints:
    """Cut the marked plants of each block into classes of equal numbers."""
    if not classes:
        return np.zeros(values.shape, dtype=np.int64)
    rank = np.argsort(np.argsort(np.where(which, values, np.inf), axis=1), axis=1)
    cut: Ints = rank * classes // np.maximum(which.sum(axis=1, keepdims=True), 1)
    return np.minimum(cut, classes - 1).astype(np.int64)


class _Chances:
    """Chances under exchange within blocks and classes."""

    def __init__(self, label: Ints, stratum: Ints, labels: int) -> None:
        self.stratum = stratum + np.arange(label.shape[0])[:, None] * (stratum.max() + 1)
        own = label >= 0
        cells = np.bincount(self.stratum[own] * labels + label[own], minlength=(self.stratum.max() + 1) * labels)
        self.number = cells.reshape(-1, labels).astype(np.float64)
        self.size = self.number.sum(axis=1)

    def of(self, a: int, b: int, s: Ints, t: Ints) -> Floats:
        """Give the chance that a plant of stratum s has label a and another one of stratum t label b."""
        one = self.number[s, a] * (self.number[t, b] - (a == b) * (s == t))
        ways = self.size[s] * (self.size[t] - (s == t))
        return np.asarray(np.divide(one, ways, out=np.zeros_like(one), where=ways > 0), dtype=np.float64)


def _neighbours(plots: _Plots, far: Floats, spec: Spec) -> Iterator[tuple[str, str, float]]:
    """Give the true ratios of nearest neighbours: of whom, how exchanged, value."""
    between = np.where(plots.held[:, None, :] & plots.held[:, :, None], far, np.inf)
    block, slot = np.nonzero(plots.held & np.isfinite(between.min(axis=2)))
    who = np.argmin(between, axis=2)[block, slot]
    mine, theirs = plots.ant[block, slot], plots.ant[block, who]
    labels = range(len(spec.ants))
    for scheme, (light, size) in _SCHEMES.items():
        stratum = _classes(plots.light, plots.held, light) * 4 + _classes(plots.size, plots.held, size)
        chances = _Chances(plots.ant, stratum, len(spec.ants))
        s, t = chances.stratum[block, slot], chances.stratum[block, who]
        expected = [chances.of(a, a, s, t).sum() for a in labels]
        yield "same ant", scheme, float(np.sum(mine == theirs) / np.sum(expected))
        if not light + size:
            for a in labels:
                yield spec.ants[a].name, scheme, float(np.sum((mine == a) & (theirs == a)) / expected[a])


def _pairs(plots: _Plots, far: Floats, spec: Spec) -> Iterator[tuple[str, str, str, float]]:
    """Give the true ratios of pairs up to the greatest distance: name, of, against, value."""
    chances = _Chances(plots.ant, np.zeros_like(plots.ant), len(spec.ants))
    block, i, j = np.nonzero((far <= _REACH) & plots.held[:, :, None] & plots.held[:, None, :])
    mine, theirs = plots.ant[block, i], plots.ant[block, j]
    home = chances.stratum[block, i]
    same = np.sum([chances.of(a, a, home, home) for a in range(len(spec.ants))])
    yield "same_ant_pair_ratio", "same ant", "random labelling", float(np.sum(mine == theirs) / same)
    for a, b in combinations(sorted(range(len(spec.ants)), key=lambda k: spec.ants[k].name), 2):
        seen = np.sum((mine == a) & (theirs == b))
        value = float(seen / chances.of(a, b, home, home).sum())
        yield "cross_pair_ratio", spec.ants[a].name, spec.ants[b].name, value
    living = _Chances(np.where(plots.alive, plots.held.astype(np.int64), -1), np.zeros_like(plots.ant), 2)
    near = (far <= _REACH) & plots.alive[:, :, None] & plots.alive[:, None, :]
    per = near.sum(axis=(1, 2))
    expected = (living.of(1, 1, np.arange(len(per)), np.arange(len(per))) * per).sum()
    yield "held_pair_ratio", "all colonies", "living plants", float(len(block) / expected)


def _l(plots: _Plots, far: Floats, radius: float) -> float:
    """Give the true L(r) - r: pairs, each weighed for what lies beyond the square, over those of even scatter."""
    both = plots.held[:, :, None] & plots.held[:, None, :] & (far <= radius)
    d, side = far[both], BLOCK_SIDE_M
    weight = side**2 / (side**2 - 4.0 * side * d / np.pi + d**2 / np.pi)
    n = plots.held.sum(axis=1)
    return float(np.sqrt(weight.sum() / (np.sum(n * (n - 1.0)) / side**2) / np.pi) - radius)


def _treated(plots: _Plots, far: Floats, radius: float) -> float:
    """Give the true share of plants under removal with a colony on another arm's plant near, away from the edge."""
    edge = np.minimum.reduce([plots.x, plots.y, BLOCK_SIDE_M - plots.x, BLOCK_SIDE_M - plots.y])
    inner = plots.alive & plots.removed & (edge >= radius)
    near = np.any((far <= radius) & (plots.held & ~plots.removed)[:, None, :], axis=2)
    return float(np.mean(near[inner]))


def truth(spec: Spec, seed: int) -> Iterator[TrueValue]:
    """Count the truth on plots of many studies."""
    large = spec.sized(spec.blocks * STUDIES, spec.plants_per_block)
    plots = _plots(large, seed)
    far = plots.distances()
    for of, scheme, value in _neighbours(plots, far, spec):
        yield TrueValue("pattern", "same_ant_neighbour_ratio", of, "random labelling", scheme, value, "1")
    for name, of, against, value in _pairs(plots, far, spec):
        yield TrueValue("pattern", name, of, against, f"up to {_REACH:g} m apart", value, "1")
    for radius in (_REACH / 2, _REACH):
        yield TrueValue("pattern", "l_minus_r", "all colonies", "", f"at {radius:g} m", _l(plots, far, radius), "m")
    for arm in spec.arms:
        if arm.role == "removal":
            near = _treated(plots, far, _REACH / 2)
            yield TrueValue("pattern", "near_untreated_colony", arm.name, "", f"within {_REACH / 2:g} m", near, "1")


def draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Draw nothing: the map and the looks are the census's own."""
    return {}


PATTERNS = Layer("pattern", 41, ("pattern",), draw, truth)
