"""How far two kinds use the same places: overlap of shares over classes, and what chance alone would give.

With p_i, q_i the shares of two kinds over classes i (each summing to one):

    Schoener         1 - 1/2 sum |p_i - q_i|
    Pianka           sum p_i q_i / sqrt(sum p_i^2 sum q_i^2)
    Morisita-Horn    2 sum p_i q_i / (sum p_i^2 + sum q_i^2)

All are 0 without a class in common and 1 for equal shares; with few individuals chance alone pulls them below 1. Where
classes differ in how many places there are, shares are first divided by these numbers (`corrected`): they are then the
shares that would be seen if each class held as many places.

Null models: `permuted_within_blocks` deals the kinds anew among the places of each block; `shuffled_within_kinds`
shuffles the classes of each kind. All arrangements are tried where they are no more than the draws asked for.

Sources
-------
Schoener 1968, Ecology 49:704-726; Pianka 1973, Annu. Rev. Ecol. Syst. 4:53-74; Horn 1966, Am. Nat. 100:419-424;
correction by what is available: Manly et al. 2002, Resource Selection by Animals, 2nd ed., section 1.4 (selection
ratios); shuffling within kinds: Lawlor 1980, Am. Nat. 116:394-408 (his third algorithm); p with the seen arrangement
counted: Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9(1):39.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import permutations, product
from math import factorial
from typing import Literal

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.randomisation import all_arrangements, count_arrangements

Index = Literal["schoener", "pianka", "morisita_horn"]
INDICES: tuple[Index, ...] = ("schoener", "pianka", "morisita_horn")


def corrected(counts: Floats, available: Floats) -> Floats:
    """Give shares over classes as if all classes held equally many places; shape (kinds, classes).

    Parameters
    ----------
    counts : array (kinds, classes)
        Individuals of each kind in each class.
    available : array (classes,)
        Places in each class, more than 0.

    Raises
    ------
    ValueError
        If a class holds no place, or a kind no individual.
    """
    c, a = np.asarray(counts, dtype=np.float64), np.asarray(available, dtype=np.float64)
    if (a <= 0.0).any():
        raise ValueError("a class without places has no share; leave it out")
    rate = c / a
    whole = rate.sum(axis=1, keepdims=True)
    if (whole <= 0.0).any():
        raise ValueError("a kind without individuals has no shares; leave it out")
    return np.asarray(rate / whole, dtype=np.float64)


def overlaps(shares: Floats, index: Index) -> Floats:
    """Give the overlap of every two kinds, shape (kinds, kinds).

    Raises
    ------
    ValueError
        If the index is unknown.
    """
    p = np.asarray(shares, dtype=np.float64)
    if index == "schoener":
        return np.asarray(1.0 - 0.5 * np.abs(p[:, None] - p[None]).sum(axis=2), dtype=np.float64)
    square = (p**2).sum(axis=1)
    if index == "pianka":
        return np.asarray(p @ p.T / np.sqrt(np.outer(square, square)), dtype=np.float64)
    if index == "morisita_horn":
        return np.asarray(2.0 * p @ p.T / (square[:, None] + square), dtype=np.float64)
    raise ValueError(f"overlap {index!r} is unknown; choose one of {', '.join(INDICES)}")


@dataclass(frozen=True, eq=False)
class NullModel:
    """Overlaps seen and what chance gives.

    Attributes
    ----------
    pairs : tuple of (int, int)
    observed, expected : array (pairs + 1,)
        Overlap of each pair, then the mean of all pairs; and their means over the arrangements.
    p_less, p_more : array (pairs + 1,)
        Share of arrangements with an overlap as small, and as large, as the one seen.
    arrangements : int
    complete : bool
        Whether these are all that are possible.
    """

    pairs: tuple[tuple[int, int], ...]
    observed: Floats
    expected: Floats
    p_less: Floats
    p_more: Floats
    arrangements: int
    complete: bool


def permuted_within_blocks(
    kind: Ints,
    place: tuple[Ints, Ints],
    among: Ints,
    rng: np.random.Generator,
    *,
    index: Index = "pianka",
    draws: int = 999,
) -> NullModel:
    """Deal the kinds anew among the places of each block.

    Parameters
    ----------
    kind : array (places,)
        Kind at each place, 0.. (also an empty place is a kind).
    place : (array, array)
        Class and block of each place, classes 0.. each with at least one place.
    among : array
        Kinds whose overlap is looked at, two or more.
    rng : numpy Generator
    index, draws
    """
    class_, block = place
    order = np.lexsort((kind, class_, block))
    kind, class_, block = kind[order], class_[order], block[order]
    classes, kinds = int(class_.max()) + 1, int(kind.max()) + 1
    available = np.bincount(class_, minlength=classes).astype(np.float64)

    def statistic(dealt: Ints) -> Floats:
        counts = np.bincount(dealt * classes + class_, minlength=kinds * classes).reshape(kinds, classes)
        return overlaps(corrected(counts[among].astype(np.float64), available), index)

    complete = count_arrangements(kind, block) <= draws
    dealt = all_arrangements(kind, block) if complete else _dealt(kind, block, rng, draws)
    return _null_model(statistic(kind), map(statistic, dealt), complete=complete)


def _dealt(kind: Ints, block: Ints, rng: np.random.Generator, draws: int) -> Iterator[Ints]:
    for _ in range(draws):
        yield kind[np.lexsort((rng.random(len(kind)), block))]


def shuffled_within_kinds(
    shares: Floats, rng: np.random.Generator, *, index: Index = "pianka", draws: int = 999, hold_first: bool = True
) -> NullModel:
    """Shuffle the classes of each kind by itself.

    Parameters
    ----------
    shares : array (kinds, classes)
    rng : numpy Generator
    index, draws
    hold_first : bool
        Leave the first kind as it is: overlaps depend on the other kinds' order against it alone.
    """
    p = np.asarray(shares, dtype=np.float64)
    moving = range(1 if hold_first else 0, len(p))
    complete = factorial(p.shape[1]) ** len(moving) <= draws

    def every() -> Iterator[Floats]:
        for orders in product(permutations(range(p.shape[1])), repeat=len(moving)):
            new = p.copy()
            for k, order in zip(moving, orders, strict=True):
                new[k] = p[k, list(order)]
            yield new

    def drawn() -> Iterator[Floats]:
        for _ in range(draws):
            new = p.copy()
            new[moving.start :] = rng.permuted(p[moving.start :], axis=1)
            yield new

    def statistic(table: Floats) -> Floats:
        return overlaps(table, index)

    return _null_model(statistic(p), map(statistic, every() if complete else drawn()), complete=complete)


def _null_model(observed: Floats, drawn: Iterable[Floats], *, complete: bool) -> NullModel:
    upper = np.triu_indices(len(observed), 1)

    def listed(table: Floats) -> Floats:
        each = table[upper]
        return np.append(each, each.mean())

    seen = listed(observed)
    found = np.stack([listed(t) for t in drawn])
    if not complete:
        found = np.vstack([seen, found])
    slack = 1e-9
    less, more = (found <= seen + slack).mean(axis=0), (found >= seen - slack).mean(axis=0)
    pairs = tuple((int(i), int(j)) for i, j in zip(*upper, strict=True))
    return NullModel(pairs, seen, found.mean(axis=0), less, more, len(found), complete)
