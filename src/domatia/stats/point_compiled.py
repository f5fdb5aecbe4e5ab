"""Counting loops compiled by numba, where it is installed (the extra `fast`); the same whole numbers come without it.

Bits of 64 random labellings stand in one word; products of words are added up by carry-save adders, so that one
addition serves 64 labellings (the counting of Harley & Seal; Warren 2013, Hacker's Delight, section 5-1).
"""

import math

import numba
import numpy as np
from numpy.typing import NDArray

from domatia.stats.arrays import Floats, Ints

Words = NDArray[np.int64]
Places = NDArray[np.int32]


@numba.njit(cache=True, nogil=True, boundscheck=False)
def _add(plane: Words, carry: Words, upwards: int) -> None:
    """Add a word of weight 2 ** `upwards` in each column to the counters."""
    for w in range(carry.shape[0]):
        left = carry[w]
        q = upwards
        while left != 0:
            before = plane[q, w]
            plane[q, w] = before ^ left
            left &= before
            q += 1


@numba.njit(cache=True, nogil=True, boundscheck=False)
def _add_bits(span: tuple[int, int], plane: Words, first: Words, second: Words, i: Places, j: Places) -> None:
    """Add the pairs of a span to the counters, four at a time; the rest one by one.

    No point has both labels, so that the two ways round of a pair exclude each other and one bit serves for both.
    """
    words = first.shape[1]
    carry = np.empty(words, np.int64)
    p = span[0]
    while p + 4 <= span[1]:
        i0, i1, i2, i3 = i[p], i[p + 1], i[p + 2], i[p + 3]
        j0, j1, j2, j3 = j[p], j[p + 1], j[p + 2], j[p + 3]
        for w in range(words):
            one, two = plane[0, w], plane[1, w]
            a = (first[i0, w] & second[j0, w]) | (second[i0, w] & first[j0, w])
            b = (first[i1, w] & second[j1, w]) | (second[i1, w] & first[j1, w])
            u = one ^ a
            twos_a = (one & a) | (u & b)
            one = u ^ b
            a = (first[i2, w] & second[j2, w]) | (second[i2, w] & first[j2, w])
            b = (first[i3, w] & second[j3, w]) | (second[i3, w] & first[j3, w])
            u = one ^ a
            twos_b = (one & a) | (u & b)
            plane[0, w] = u ^ b
            u = two ^ twos_a
            carry[w] = (two & twos_a) | (u & twos_b)
            plane[1, w] = u ^ twos_b
        _add(plane, carry, 2)
        p += 4
    while p < span[1]:
        for w in range(words):
            carry[w] = (first[i[p], w] & second[j[p], w]) | (second[i[p], w] & first[j[p], w])
        _add(plane, carry, 0)
        p += 1


@numba.njit(cache=True, nogil=True, boundscheck=False)
def _count_bits(i: Places, j: Places, cuts: Ints, first: Words, second: Words) -> Ints:
    words = first.shape[1]
    bins = cuts.shape[0] - 1
    out = np.zeros((bins, words * 64), np.int64)
    for b in range(bins):
        plane = np.zeros((40, words), np.int64)
        _add_bits((cuts[b], cuts[b + 1]), plane, first, second, i, j)
        for w in range(words):
            for q in range(40):
                v = plane[q, w]
                if v != 0:
                    for bit in range(64):
                        out[b, w * 64 + bit] += ((v >> bit) & 1) << q
    return out


def count_bits(i: Places, j: Places, cuts: Ints, first: Words, second: Words) -> Ints:
    """Count pairs of which one point has one label and the other point the other, in many labellings at once.

    Parameters
    ----------
    i, j : array of int32, shape (pairs,)
        Sorted by bin.
    cuts : array of int, shape (bins + 1,)
        Where each bin begins.
    first, second : array of int64, shape (points, words)
        One bit a labelling: whether the point has the label.

    Returns
    -------
    array of int, shape (bins, 64 * words)
    """
    return _count_bits(i, j, cuts, first, second)


@numba.njit(cache=True, nogil=True, boundscheck=False)
def _histogram(x: Floats, y: Floats, start: Ints, shape: tuple[int, int, int], scale: float, last: int) -> Ints:
    """Count pairs of points, sorted by cell, into bins; the cells are `reach` to the greatest distance."""
    nx, ny, reach = shape
    counts = np.zeros((4, last + 2), np.int64)
    buffer = np.empty(512, np.int64)
    top = float(last + 1)
    for cy in range(ny):
        for cx in range(nx):
            cell = cy * nx + cx
            right, left = min(nx - 1, cx + reach), max(0, cx - reach)
            for i in range(start[cell], start[cell + 1]):
                for qy in range(cy, min(ny, cy + reach + 1)):
                    low = i + 1 if qy == cy else start[qy * nx + left]
                    high = start[qy * nx + right + 1]
                    while low < high:
                        m = min(512, high - low)
                        for q in range(m):
                            dx, dy = x[low + q] - x[i], y[low + q] - y[i]
                            buffer[q] = np.int64(min(math.ceil(math.sqrt(dx * dx + dy * dy) * scale), top))
                        q = 0
                        while q + 4 <= m:
                            counts[0, buffer[q]] += 1
                            counts[1, buffer[q + 1]] += 1
                            counts[2, buffer[q + 2]] += 1
                            counts[3, buffer[q + 3]] += 1
                            q += 4
                        while q < m:
                            counts[0, buffer[q]] += 1
                            q += 1
                        low += m
    whole: Ints = counts[0] + counts[1] + counts[2] + counts[3]
    return whole


def pair_histogram(xy: Floats, radius: float, bins: int, reach: int = 3) -> Ints:
    """Count the pairs of points by distance; shape (bins + 1,), bin b holds ((b - 1) w, b w].

    Parameters
    ----------
    xy : array, shape (n, 2)
    radius : float
    bins : int
    reach : int
        Cells of the grid to a radius.
    """
    low = xy.min(axis=0)
    side = radius / reach * (1.0 + 1e-9)
    cell = ((xy - low) / side).astype(np.int64)
    nx, ny = (int(v) + 1 for v in cell.max(axis=0))
    number = cell[:, 1] * nx + cell[:, 0]
    order = np.argsort(number, kind="stable")
    start = np.concatenate([[0], np.cumsum(np.bincount(number, minlength=nx * ny))])
    x, y = np.ascontiguousarray(xy[order, 0]), np.ascontiguousarray(xy[order, 1])
    return _histogram(x, y, start, (nx, ny, reach), bins / radius, bins)[: bins + 1]
