"""Random labelling: who stands next to whom, if the labels were dealt anew among the points that there are.

Points stay where they are; only their labels are exchanged, among all points or within strata, so that what differs
between strata (a plot, a class of light or size) is not mistaken for neighbourhood. Expected numbers under it are exact
(Dixon 1994, Ecology 75:1940, for nearest neighbours; the same chances hold for any set of pairs fixed by the positions
alone); envelopes and tests come from draws. Counts are whole numbers and the same with and without numba.

It does not ask whether the points themselves lie at random.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.point_pairs import Pairs, bin_of

_WORD = 64
_WORTH_COMPILING = 2e9


@dataclass(frozen=True, eq=False)
class Labelling:
    """Labels of points, and the strata within which they are exchanged.

    Attributes
    ----------
    label : array of int, shape (n,)
        0, 1, ...
    stratum : array of int, shape (n,)
    """

    label: Ints
    stratum: Ints

    @cached_property
    def _table(self) -> tuple[Ints, Floats]:
        """Stratum of each point as 0, 1, ... and the number of points by stratum and label."""
        strata, code = np.unique(self.stratum, return_inverse=True)
        labels = int(self.label.max(initial=0)) + 1
        cell = np.bincount(code * labels + self.label, minlength=len(strata) * labels)
        return code.ravel().astype(np.int64), cell.reshape(len(strata), labels).astype(np.float64)

    @cached_property
    def _sorted(self) -> tuple[Ints, Ints]:
        """Points in the order of their strata, and the strata as 0, 1, ... in that order."""
        code = self._table[0]
        order = np.argsort(code, kind="stable").astype(np.int64)
        return order, code[order]

    def chance(self, a: int, b: int, i: Ints, j: Ints) -> Floats:
        """Give the chance that point i has label a and point j, another point, has label b."""
        code, number = self._table
        size = number.sum(axis=1)
        s, t = code[i], code[j]
        together = number[s, a] * (number[t, b] - (a == b)) / np.maximum(size[s] * (size[s] - 1.0), 1.0)
        apart = number[s, a] * number[t, b] / (size[s] * size[t])
        return np.asarray(np.where(s == t, together, apart), dtype=np.float64)

    def same(self, i: Ints, j: Ints) -> Floats:
        """Give the chance that points i and j have the same label."""
        each = [self.chance(a, a, i, j) for a in range(self._table[1].shape[1])]
        return np.asarray(np.sum(each, axis=0), dtype=np.float64)

    def dealt(self, rng: np.random.Generator) -> Ints:
        """Give the labels exchanged within strata."""
        order, code = self._sorted
        if code[-1] == 0:
            return rng.permutation(self.label)
        out = np.empty_like(self.label)
        out[order] = self.label[order][np.argsort(code + rng.random(len(code)))]
        return out

    def draws(self, number: int, seed: int) -> Iterator[Ints]:
        """Give the labels as they are, then `number` times exchanged; each draw has a stream of its own."""
        yield self.label
        for k in range(1, number + 1):
            yield self.dealt(np.random.Generator(np.random.Philox(key=np.array([seed, k], dtype=np.uint64))))


@dataclass(frozen=True, eq=False)
class NeighbourTable:
    """Who is the nearest neighbour of whom.

    Attributes
    ----------
    observed, expected, variance : array, shape (labels, labels)
        Rows: the point; columns: its nearest neighbour. Expected and variance under random labelling.
    """

    observed: Floats
    expected: Floats
    variance: Floats


def neighbour_table(label: Ints, neighbour: Ints, labels: int) -> NeighbourTable:
    """Count the labels of points and of their nearest neighbours, and what random labelling would give.

    Parameters
    ----------
    label : array of int, shape (n,)
    neighbour : array of int, shape (n,)
        Each point's nearest neighbour.
    labels : int
        Number of labels.

    Notes
    -----
    Variances after Dixon 1994: they need the number of points that are each other's nearest neighbour and the number of
    pairs of points that share one.
    """
    n = len(label)
    observed = np.bincount(label * labels + label[neighbour], minlength=labels**2).reshape(labels, labels)
    mutual = float(np.sum(neighbour[neighbour] == np.arange(n)))
    sharing = np.bincount(neighbour, minlength=n).astype(np.float64)
    shared = float(np.sum(sharing * (sharing - 1.0)))
    counts = np.bincount(label, minlength=labels).astype(np.float64)
    expected, variance = np.zeros((labels, labels)), np.zeros((labels, labels))
    whole = n * n - 3.0 * n - shared + mutual
    for a in range(labels):
        for b in range(labels):
            na, nb = counts[a], counts[b]
            two = _falling(na, 2) if a == b else na * nb
            three = _falling(na, 3) if a == b else _falling(na, 2) * nb
            four = _falling(na, 4) if a == b else _falling(na, 2) * _falling(nb, 2)
            p2, p3, p4 = (v / max(_falling(n, k), 1.0) for v, k in ((two, 2), (three, 3), (four, 4)))
            mean = n * p2
            if a == b:
                spread = (n + mutual) * p2 + (2.0 * n - 2.0 * mutual + shared) * p3 + whole * p4 - mean**2
            else:
                spread = n * p2 + shared * p3 + whole * p4 - mean**2
            expected[a, b], variance[a, b] = mean, max(spread, 0.0)
    return NeighbourTable(observed.astype(np.float64), expected, variance)


def _falling(n: float, k: int) -> float:
    return float(np.prod([max(n - m, 0.0) for m in range(k)]))


def labelled_counts(
    pairs: Pairs, bins: tuple[float, int], labels: Labelling, who: tuple[int, int], draws: tuple[int, int]
) -> Ints:
    """Count, by distance, the pairs between two labels, as they are and under random labelling.

    Parameters
    ----------
    pairs : Pairs
    bins : (float, int)
        Greatest distance and number of bins up to it.
    labels : Labelling
    who : (int, int)
        The two labels; twice the same counts pairs of that label.
    draws : (int, int)
        Number of draws and seed.

    Returns
    -------
    array of int, shape (draws + 1, bins + 1)
        First the labels as they are. Bin 0 holds coincident points, bin b distances in ((b - 1) w, b w].
    """
    place = bin_of(pairs.distance, *bins)
    kept = place <= bins[1]
    i, j, place = pairs.i[kept], pairs.j[kept], place[kept]
    if float(len(i)) * draws[0] > _WORTH_COMPILING and numba_is_there():
        return _counts_by_words(_Binned(i, j, place, bins[1]), labels, who, draws)
    return _counts_one_by_one(_Binned(i, j, place, bins[1]), labels, who, draws)


def same_counts(pairs: Pairs, bins: tuple[float, int], labels: Labelling, draws: tuple[int, int]) -> Ints:
    """Count, by distance, the pairs of points with the same label, as they are and under random labelling.

    Parameters and result as for `labelled_counts`.
    """
    each = (labelled_counts(pairs, bins, labels, (a, a), draws) for a in range(int(labels.label.max(initial=0)) + 1))
    return np.asarray(sum(each), dtype=np.int64)


@dataclass(frozen=True, eq=False)
class _Binned:
    i: Ints
    j: Ints
    place: Ints
    last: int


def numba_is_there() -> bool:
    """Tell whether the compiled counts can be used."""
    from importlib.util import find_spec

    return find_spec("numba") is not None


def _counts_one_by_one(pairs: _Binned, labels: Labelling, who: tuple[int, int], draws: tuple[int, int]) -> Ints:
    out = np.empty((draws[0] + 1, pairs.last + 1), dtype=np.int64)
    for k, label in enumerate(labels.draws(*draws)):
        first, second = label[pairs.i], label[pairs.j]
        hit = (first == who[0]) & (second == who[1])
        if who[0] != who[1]:
            hit |= (first == who[1]) & (second == who[0])
        out[k] = np.bincount(pairs.place[hit], minlength=pairs.last + 1)
    return out


def _counts_by_words(pairs: _Binned, labels: Labelling, who: tuple[int, int], draws: tuple[int, int]) -> Ints:
    """Count 64 draws at a time: one bit of a machine word for each draw."""
    from domatia.stats.point_compiled import count_bits

    order = np.argsort(pairs.place.astype(np.int16), kind="stable")
    i, j = pairs.i[order].astype(np.int32), pairs.j[order].astype(np.int32)
    cuts = np.concatenate([[0], np.cumsum(np.bincount(pairs.place, minlength=pairs.last + 1))])
    first, second = _as_bits(labels, who, draws)
    found = count_bits(i, j, cuts, first, second)
    return np.ascontiguousarray(found[:, : draws[0] + 1].T)


def _as_bits(labels: Labelling, who: tuple[int, int], draws: tuple[int, int]) -> tuple[Ints, Ints]:
    n, words = len(labels.label), -(-(draws[0] + 1) // _WORD)
    bits = np.zeros((2, n, words * 8), dtype=np.uint8)
    block = np.zeros((2, _WORD, n), dtype=np.bool_)
    for k, label in enumerate(labels.draws(*draws)):
        block[0, k % _WORD], block[1, k % _WORD] = label == who[0], label == who[1]
        if k % _WORD == _WORD - 1 or k == draws[0]:
            block[:, k % _WORD + 1 :] = False
            at = k // _WORD * 8
            bits[:, :, at : at + 8] = np.packbits(block, axis=1, bitorder="little").transpose(0, 2, 1)
    found = bits.view("<u8").astype(np.int64, casting="unsafe", copy=False)
    return found[0], found[1]


def among(mask: Bools, pairs: Pairs) -> Pairs:
    """Keep the pairs both of whose points are marked."""
    kept = mask[pairs.i] & mask[pairs.j]
    return Pairs(pairs.i[kept], pairs.j[kept], pairs.distance[kept])
