"""What a look sees of something that happened since the look before, when more may have happened in between.

An individual is free (state 0) at one look; the state it first moved to is wanted, but only the state at the next look
is seen. With intensities Q between all states, and h = -q_00 the rate of leaving the free state, what first happened
is c at time u after the look with density q_0c exp(-h u), and what is seen after dt is x with chance

    M_cx(dt) = int_0^dt exp(-h u) [expm(Q (dt - u))]_cx du / int_0^dt exp(-h u) du,

so that chance(seen x) = sum_c chance(first c) M_cx: exact where hazards are constant between two looks, and for
others a correction whose own error is of second order in the time between looks. Q is estimated from pairs of looks
(Kalbfleisch & Lawless 1985, JASA 80:863-871); both integrals come from one matrix exponential (Van Loan 1978, IEEE
Trans. Autom. Control 23:395-404).

What it does not cover: intensities that depend on covariates or on the time in a state, and the doubt about Q itself,
which a fit that takes M as known leaves out of its intervals.
"""

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.multistate import Panel, allow_moves, fit_multistate, intensities

_ROUNDS = 2000
_STILL = 1e-9


def move_intensities(before: Ints, after: Ints, time: Floats, size: int) -> Floats:
    """Estimate the intensities between states from pairs of looks.

    Parameters
    ----------
    before, after : array (pairs,)
        States 0 .. size - 1 at two looks at one individual.
    time : array (pairs,)
        Time between them, above 0.
    size : int
        Number of states. One that no pair begins with counts as never left.

    Returns
    -------
    array (size, size)
        Intensity matrix per unit of time; rows sum to zero.
    """
    begins = np.bincount(before, minlength=size) > 0
    allowed = np.repeat(begins[:, None], size, axis=1)
    np.fill_diagonal(allowed, False)
    if not allowed.any():
        return np.zeros((size, size))
    pattern = allow_moves(allowed)
    subject = np.repeat(np.arange(len(before)), 2)
    when, state = np.zeros(2 * len(before)), np.empty(2 * len(before), np.int64)
    when[1::2], state[0::2], state[1::2] = time, before, after
    found = intensities(fit_multistate(Panel(subject, when, state), pattern, information="expected"))
    matrix: Floats = pattern.generators(found.value.estimate[None])[0]
    return matrix


def state_after(generator: Floats, time: Floats) -> Floats:
    """Give the chance of each state (last axis) after each time, by the state before; shape (times, S, S)."""
    from scipy.linalg import expm

    found: Floats = np.asarray(expm(generator * np.asarray(time)[:, None, None]), np.float64)
    return found


def seen_after(generator: Floats, time: Floats) -> Floats:
    """Give the chance of each state seen at the second look by what first happened to one free at the first.

    Parameters
    ----------
    generator : array (S, S)
        Intensities; state 0 is the free one.
    time : array (times,)
        Time between the looks, above 0.

    Returns
    -------
    array (times, S, S)
        Rows are what first happened; row 0 (nothing) is seen as nothing.
    """
    size = len(generator)
    block = np.zeros((2 * size, 2 * size))
    block[:size, :size] = generator[0, 0] * np.eye(size)
    block[:size, size:] = np.eye(size)
    block[size:, size:] = generator
    unique, code = np.unique(np.asarray(time, np.float64), return_inverse=True)
    whole = state_after(block, unique)[:, :size, size:]
    shares = whole / whole.sum(axis=2, keepdims=True)
    shares[:, 0] = np.eye(size)[0]
    result: Floats = shares[code]
    return result


def unmoved_chances(seen: Ints, unmoved: Floats) -> Floats:
    """Estimate whether something done to an individual did not work, from what was seen at the next look.

    A mixture: where it did not work the states seen follow `unmoved`, else one distribution, free, the same for all. By
    EM (Dempster, Laird & Rubin 1977, J. R. Stat. Soc. B 39:1-38). It can only be told where `unmoved` differs between
    individuals.

    Parameters
    ----------
    seen : array (n,)
        State seen at the next look.
    unmoved : array (n, S)
        Chance of each state at the next look had nothing been done.

    Returns
    -------
    array (n,)
        Chance, given what was seen, that it did not work; the mean is the share of the mixture.
    """
    own = unmoved[np.arange(len(seen)), seen]
    share, common = 0.02, np.bincount(seen, minlength=unmoved.shape[1]) / len(seen)
    chance: Floats = np.zeros(len(seen))
    for _ in range(_ROUNDS):
        still = share * own
        chance = still / np.maximum(still + (1.0 - share) * common[seen], 1e-300)
        counted = np.bincount(seen, 1.0 - chance, minlength=unmoved.shape[1])
        common = counted / max(float(counted.sum()), 1e-300)
        last, share = share, float(chance.mean())
        if abs(share - last) < _STILL:
            break
    return chance
