"""Fights between colonies: staged in a dish by the crew, and natural ones that it met. All of it invented.

Each block has colonies of its own, a few of which fight again and again. Workers die one after the other under the law
of `STRENGTH` and `EXPONENT`; a fight ends when a part of all workers, drawn beforehand, has died, or with the last of
one side. Then one side holds the ground, the likelier the more it has left, or nobody does; some colonies are bolder
than others of their kind. Some fights are stopped by the clock first, in some the workers were not counted.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.streams import Purpose, stream
from domatia.lifecycle.study_lists import block_name
from domatia.lifecycle.true_value import TrueValue

Ints = NDArray[np.int64]
Array = NDArray[np.float64]

COLONIES = 10
STAGED, NATURAL = "staged fights", "natural fights"
FIGHTS = {STAGED: 10, NATURAL: 6}
"""Fights a block."""
EXPONENT = {STAGED: 1.4, NATURAL: 1.0}
KINDS = (0.40, 0.26, 0.16, 0.18)
"""Shares of the ants among colonies; the last takes what is left if there are fewer."""
STRENGTH = (0.0, -0.15, -0.35, -0.50)
BOLDNESS = (0.0, -0.1, -0.4, -0.6)
SIZE = (1.0, 1.1, 0.8, 0.7)
"""Natural fights: size of colonies beside the first ant's."""
SLOPE, HOME, BOLD_SPREAD, TIE = 1.6, 0.5, 0.5, 0.18
STOPPED, NOT_COUNTED, TO_THE_END, CARRIED = 0.08, 0.05, 0.10, 0.70
_TRUTH_FIGHTS = 200_000


@dataclass(frozen=True)
class Fought:
    """What happened in many fights, one row each.

    `ant`, `workers`, `dead` have two columns, `chance` three: that the first side holds the ground, that nobody does,
    that the second does, given the dead. `result` is 0, 1 or 2.
    """

    ant: Ints
    workers: Ints
    dead: Ints
    home: Ints
    chance: Array
    result: Ints
    stopped: NDArray[np.bool_]
    emptied: NDArray[np.bool_]


def ants(spec: Spec, rng: np.random.Generator, count: int) -> Ints:
    """Draw the ants of colonies."""
    shares = np.array(KINDS[: len(spec.ants)])
    return rng.choice(len(shares), count, p=shares / shares.sum())


def fight(kind: str, ant: Ints, bold: Array, rng: np.random.Generator) -> Fought:
    """Let colonies fight.

    Parameters
    ----------
    kind : str
        `STAGED` or `NATURAL`.
    ant : array (fights, 2)
    bold : array (fights, 2)
        How much bolder each colony is than others of its kind.
    rng : numpy Generator
    """
    n = len(ant)
    workers, home = _brought(kind, ant, rng)
    strength = np.array(STRENGTH)[ant[:, 0]] - np.array(STRENGTH)[ant[:, 1]]
    end = (rng.random(n) < TO_THE_END) & (workers.sum(axis=1) < 80)
    part = np.where(end, 1.0, rng.uniform(0.08, 0.45, n))
    deaths = np.maximum(1, np.ceil(part * workers.sum(axis=1))).astype(np.int64)
    dead = _losses(workers, deaths, (EXPONENT[kind] - 1.0, strength), rng)
    left = workers - dead
    emptied = left.min(axis=1) == 0
    boldness = np.array(BOLDNESS)[ant] + bold
    eta = SLOPE * np.log((left[:, 0] + 0.5) / (left[:, 1] + 0.5)) + boldness[:, 0] - boldness[:, 1] + HOME * home
    weights = np.column_stack([np.exp(eta / 2.0), np.full(n, TIE), np.exp(-eta / 2.0)])
    only = np.where(left[:, [0]] > 0, [[1.0, 0.0, 0.0]], [[0.0, 0.0, 1.0]])
    chance = np.where(emptied[:, None], only, weights / weights.sum(axis=1, keepdims=True))
    result = (rng.random(n)[:, None] > np.cumsum(chance[:, :2], axis=1)).sum(axis=1)
    stopped = (rng.random(n) < STOPPED) & ~emptied
    return Fought(ant, workers, dead, home, chance, result, stopped, emptied)


def _brought(kind: str, ant: Ints, rng: np.random.Generator) -> tuple[Ints, Ints]:
    """Draw the workers of both sides, and 1, 0 or -1 for which side was at home."""
    n = len(ant)
    if kind == STAGED:
        workers = rng.integers(10, 81, (n, 2))
        home = np.where(rng.random(n) < CARRIED, rng.choice([-1, 1], n), 0)
        return workers.astype(np.int64), home.astype(np.int64)
    size = 45.0 * np.array(SIZE)[ant] * np.exp(0.6 * rng.standard_normal((n, 2)))
    return np.clip(np.round(size), 8, 200).astype(np.int64), np.zeros(n, np.int64)


def _losses(workers: Ints, deaths: Ints, law: tuple[float, Array], rng: np.random.Generator) -> Ints:
    """Let workers die one after the other, in all fights at once."""
    left = workers.copy()
    power, strength = law
    at = np.arange(len(workers))
    for k in range(int(deaths.max(initial=0))):
        at = at[(deaths[at] > k) & (left[at].min(axis=1) > 0)]
        if not len(at):
            break
        eta = power * np.log(left[at, 0] / left[at, 1]) + strength[at]
        second = rng.random(len(at)) < 1.0 / (1.0 + np.exp(-eta))
        left[at, second.astype(np.int64)] -= 1
    return workers - left


def draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Draw the colonies of each block and their fights."""
    spec = book.spec
    blocks = spec.blocks
    ant = ants(spec, rng, blocks * COLONIES)
    bold = BOLD_SPREAD * rng.standard_normal(len(ant))
    names = [f"{block_name(spec, b)} C{c + 1:02d}" for b in range(blocks) for c in range(COLONIES)]
    colony = pl.DataFrame({"name": names, "taxon": ant, "evidence": ["workers do not fight each other"] * len(names)})
    parts = [_rows(book, kind, (names, ant, bold), rng) for kind in (STAGED, NATURAL)]
    return {"colony": colony, "fight": pl.concat(parts)}


def _rows(book: Notebook, kind: str, colonies: tuple[list[str], Ints, Array], rng: np.random.Generator) -> pl.DataFrame:
    spec, (names, ant, bold) = book.spec, colonies
    block = np.repeat(np.arange(spec.blocks), FIGHTS[kind])
    n = len(block)
    first = rng.integers(0, COLONIES, n)
    second = (first + rng.integers(1, COLONIES, n)) % COLONIES
    of = np.column_stack([first, second]) + COLONIES * block[:, None]
    f = fight(kind, ant[of], bold[of], rng)
    day = rng.integers(30, max(31, int(spec.years * 300)), n)
    ended = np.where(f.stopped, "time up", np.where(f.emptied, "one side destroyed", "one side fled"))
    ended = np.where((f.result == 1) & ~f.stopped & ~f.emptied, "truce", ended)
    winner = np.where(f.stopped, "none", np.array(["a", "none", "b"])[f.result])
    carried = np.array(["neither", "b", "a"])[f.home]
    known = rng.random((n, 2)) >= NOT_COUNTED
    return pl.DataFrame(
        {
            "colony_a": [names[i] for i in of[:, 0]],
            "colony_b": [names[i] for i in of[:, 1]],
            "when": [spec.start + timedelta(days=int(d)) for d in day],
            "staged": [kind == STAGED] * n,
            "workers_a": pl.Series(f.workers[:, 0]).set(pl.Series(~known[:, 0]), None),
            "workers_b": f.workers[:, 1],
            "dead_a": f.dead[:, 0],
            "dead_b": pl.Series(f.dead[:, 1]).set(pl.Series(~known[:, 1]), None),
            "winner": winner.tolist(),
            "minutes": (2.0 + f.dead.sum(axis=1) * rng.uniform(0.5, 1.5, n)).round(0),
            "ended": ended.tolist(),
            "carried": pl.Series(carried.tolist() if kind == STAGED else [None] * n, dtype=pl.String),
        }
    )


def truth(spec: Spec, seed: int) -> Iterable[TrueValue]:
    """Give the law as it is, and the curves and ranks as very many fights of strangers show them."""
    rng = stream(seed, 0, Purpose.LAYERS, 12_000)
    names = [a.name for a in spec.ants]
    found: list[TrueValue] = []
    for kind in (STAGED, NATURAL):
        n = _TRUTH_FIGHTS
        ant = np.column_stack([ants(spec, rng, n), ants(spec, rng, n)])
        f = fight(kind, ant, BOLD_SPREAD * rng.standard_normal((n, 2)), rng)
        found += _counted(kind, f, names)
    return found


def _counted(kind: str, f: Fought, names: list[str]) -> list[TrueValue]:
    def at(name: str, of: str, against: str, value: float) -> TrueValue:
        return TrueValue("fights", name, of, against, kind, float(value), "1")

    larger, smaller, first = "larger side", "smaller side", names[0]
    x = _columns(f.ant, len(names))
    weight = np.where(f.emptied, 1.0, 1.0 - STOPPED)
    sure = f.chance[:, 0] + f.chance[:, 2]
    design = np.column_stack([np.log(f.workers[:, 0] / f.workers[:, 1]), x, f.home])
    design = design if kind == STAGED else design[:, :-1]
    b = _logistic(design, f.chance[:, 0] / sure, weight * sure)
    found = [
        at("win_slope", larger, smaller, b[0]),
        at("win_chance_2_to_1", larger, smaller, 1.0 / (1.0 + 2.0 ** -b[0])),
        at("worker_ratio_95", larger, smaller, np.exp(np.log(19.0) / b[0])),
        at("attrition_exponent", "all ants", "", EXPONENT[kind]),
    ]
    if kind == STAGED:
        found += [at("home_odds_ratio", "at home", "carried", np.exp(b[-1]))]
        found += [at("home_strength_ratio", "at home", "carried", 1.0)]
    mixed = f.ant[:, 0] != f.ant[:, 1]
    ranks = _with_ties(x[mixed], f.chance[mixed], weight[mixed])
    for j, name in enumerate(names[1:]):
        found += [
            at("win_odds_ratio", name, first, np.exp(b[1 + j])),
            at("strength_ratio", name, first, np.exp(STRENGTH[j + 1] - STRENGTH[0])),
            at("dominance_odds_ratio", name, first, np.exp(ranks[j])),
        ]
    return found


def _columns(ant: Ints, kinds: int) -> Array:
    """Give +1 and -1 for the ants of the two sides, one column an ant but the first."""
    return np.column_stack([(ant[:, 0] == k).astype(np.float64) - (ant[:, 1] == k) for k in range(1, kinds)])


def _logistic(X: Array, y: Array, weight: Array) -> Array:
    """Give the coefficients of the best logistic curve without intercept."""
    b = np.zeros(X.shape[1])
    for _ in range(12):
        p = 1.0 / (1.0 + np.exp(-(X @ b)))
        b = b + np.linalg.solve(X.T @ (X * (weight * p * (1.0 - p))[:, None]), X.T @ (weight * (y - p)))
    return b


def _with_ties(X: Array, chance: Array, weight: Array) -> Array:
    """Give the best strengths where win, tie and loss go as e^(d/2), nu and e^(-d/2)."""
    wide = np.zeros((len(X), 3, X.shape[1] + 1))
    wide[:, 0, :-1], wide[:, 2, :-1], wide[:, 1, -1] = X / 2.0, -X / 2.0, 1.0
    b = np.zeros(X.shape[1] + 1)
    for _ in range(15):
        p = np.exp(wide @ b)
        p /= p.sum(axis=1, keepdims=True)
        mean = np.einsum("nk,nkp->np", p, wide)
        slope = weight @ (np.einsum("nk,nkp->np", chance, wide) - mean)
        curve = np.einsum("n,nk,nkp,nkq->pq", weight, p, wide, wide, optimize=True) - mean.T @ (mean * weight[:, None])
        b = b + np.linalg.solve(curve, slope)
    return b[:-1]


FOUGHT = Layer("fights", 12, ("fights",), draw, truth)
