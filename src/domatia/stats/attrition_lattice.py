"""Every order in which two sides could have lost their dead: the chance of final losses, and its slopes.

Both sides start with m0 and n0 workers; each next death falls on the second side with chance
w(m, n) = 1 / (1 + exp(-(t log(m / n) + c))), where m and n still live, until one side has nobody left. Only the final
losses (i of the first, j of the second) are known, not their order. The chance of passing (i, j) obeys

    P(i, j) = P(i - 1, j) (1 - w(m0 - i + 1, n0 - j)) + P(i, j - 1) w(m0 - i, n0 - j + 1),

summed along the diagonals i + j = 1, 2, ...; its first and second derivatives in t and c are carried along. This is
the chance of the losses given that so many died in all, in whatever order: right if the fight ended by the clock, by
the number of the dead, or with the last of one side; an approximation if a side fled because of its own losses alone.
"""

from collections.abc import Iterator

import numpy as np

from domatia.stats.arrays import Floats, Ints

_CELLS = 400_000
"""Cells that are worked on at once."""


def lattice(counts: Ints, t: float, c: Floats) -> tuple[Floats, Floats, Floats]:
    """Log chance of each fight's losses with its derivatives.

    Parameters
    ----------
    counts : array (fights, 4)
        Workers of the first and second side, dead of the first and second side.
    t : float
        What the log ratio of living workers is multiplied by.
    c : array (fights,)
        Log strength of the first side's workers against the second's.

    Returns
    -------
    value : array (fights,)
    slope : array (fights, 2)
        In t and c.
    curve : array (fights, 3)
        Second derivatives: tt, tc, cc.
    """
    n = len(counts)
    out = np.empty((n, 6))
    swap = counts[:, 2] > counts[:, 3]
    turned = np.where(swap[:, None], counts[:, [1, 0, 3, 2]], counts)
    strength = np.where(swap, -c, c)
    for part in _batches(turned):
        out[part] = _work(turned[part], t, strength[part])
    sign = np.where(swap, -1.0, 1.0)
    slope, curve = out[:, 1:3], out[:, 3:]
    # naming the sides the other way round turns c, and with it every first derivative in c
    slope[:, 1] *= sign
    curve[:, 1] *= sign
    return out[:, 0], slope, curve


def _batches(counts: Ints) -> Iterator[Ints]:
    """Give row numbers of fights of like size, the most deaths first."""
    order = np.lexsort((-counts[:, 2], -(counts[:, 2] + counts[:, 3])))
    at = 0
    while at < len(order):
        width, size = int(counts[order[at], 2]) + 1, 1
        while at + size < len(order):
            width = max(width, int(counts[order[at + size], 2]) + 1)
            if width * (size + 1) > _CELLS // 40:
                break
            size += 1
        yield order[at : at + size].astype(np.int64)
        at += size


def _work(counts: Ints, t: float, c: Floats) -> Floats:
    """Walk the diagonals of fights sorted by falling number of deaths; (fights, 6)."""
    total = counts[:, 2] + counts[:, 3]
    width = int(counts[:, 2].max()) + 1
    i = np.arange(width)
    state = np.zeros((6, len(counts), width))
    state[0, :, 0] = 1.0
    scale = np.zeros(len(counts))
    out = np.empty((len(counts), 6))
    alive = len(counts)
    for k in range(int(total.max()) + 1):
        ending = int(np.searchsorted(-total[:alive], -k, side="left"))
        if ending < alive:
            rows = np.arange(ending, alive)
            out[rows] = state[:, rows, counts[rows, 2]].T
            out[rows, 0] = np.log(np.maximum(out[rows, 0], 1e-300)) + scale[rows]
            _logarithms(out, rows, state, counts)
            alive = ending
            state = state[:, :alive]
        if alive == 0:
            break
        state = _step(state, counts[:alive], i, k, (t, c[:alive]))
        most = np.maximum(state[0].max(axis=1), 1e-300)
        state /= most[None, :, None]
        scale[:alive] += np.log(most)
    return out


def _logarithms(out: Floats, rows: Ints, state: Floats, counts: Ints) -> None:
    """Turn derivatives of the chance into those of its logarithm."""
    p, pt, pc, ptt, ptc, pcc = state[:, rows, counts[rows, 2]]
    p = np.maximum(p, 1e-300)
    out[rows, 1], out[rows, 2] = pt / p, pc / p
    out[rows, 3] = ptt / p - (pt / p) ** 2
    out[rows, 4] = ptc / p - pt * pc / p**2
    out[rows, 5] = pcc / p - (pc / p) ** 2


def _step(state: Floats, counts: Ints, i: Ints, k: int, law: tuple[float, Floats]) -> Floats:
    """Let one more worker die."""
    t, c = law
    j = k - i
    m = counts[:, [0]] - i
    n = counts[:, [1]] - j
    going = (m > 0) & (n > 0) & (j >= 0)
    ratio = np.log(np.where(going, m, 1) / np.where(going, n, 1))
    w = 1.0 / (1.0 + np.exp(-np.clip(t * ratio + c[:, None], -700.0, 700.0)))
    bend = w * (1.0 - w)
    wt, twist = bend * ratio, bend * (1.0 - 2.0 * w)
    derivatives = (wt, bend, twist * ratio**2, twist * ratio, twist)
    on_second = _product(state, w, derivatives)
    live = state * going
    on_second *= going
    on_first = live - on_second
    new = np.where(j < counts[:, [3]], on_second, 0.0)
    moved = np.where(i[:-1] < counts[:, [2]], on_first[:, :, :-1], 0.0)
    new[:, :, 1:] += moved
    return new


def _product(state: Floats, w: Floats, d: tuple[Floats, ...]) -> Floats:
    """Give the product of the state and w, with its derivatives."""
    p, pt, pc, ptt, ptc, pcc = state
    wt, wc, wtt, wtc, wcc = d
    out = np.empty_like(state)
    out[0] = p * w
    out[1] = pt * w + p * wt
    out[2] = pc * w + p * wc
    out[3] = ptt * w + 2.0 * pt * wt + p * wtt
    out[4] = ptc * w + pt * wc + pc * wt + p * wtc
    out[5] = pcc * w + 2.0 * pc * wc + p * wcc
    return out
