"""Transition probabilities by uniformisation, with exact derivatives (many covariate rows, or no eigenbasis).

Method: P(t) = Σ Poisson(n; λt) Rⁿ with R = I + Q/λ and λ the largest rate of leaving (Jensen 1953,
Skandinavisk Aktuarietidskrift 36: 87–91; Stewart 1994, Introduction to the Numerical Solution of Markov Chains,
section 8.5). Derivatives run the recursion backwards. All terms are positive, so small probabilities keep their digits.
"""

from collections.abc import Callable

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.multistate_pattern import Pattern

LARGEST_STEPS = 20_000.0
BLOCK_NUMBERS = 6_000_000

Pullback = Callable[[Floats], Floats]


def starting_rows(pattern: Pattern, rates: Floats, dt: Floats, start: Ints) -> tuple[Floats, Pullback]:
    """Probabilities of every state after `dt`, and their derivatives.

    Parameters
    ----------
    rates
        Intensities of the moves, one column a row wanted, shape (J, R).
    dt, start
        Elapsed time and state at its beginning, shape (R,).

    Returns
    -------
    probabilities
        Shape (S, R).
    pullback
        Takes the derivative of any number by the probabilities, shape (S, R), and gives its derivative by the log
        intensities of each row, shape (J, R).
    """
    leaving = np.zeros((pattern.size, len(dt)))
    for move, state in enumerate(pattern.origin):
        leaving[state] += rates[move]
    top = np.maximum(leaving.max(0), 1e-300) * 1.0000001
    jump, stay = rates / top, 1.0 - leaving / top
    weights = _poisson(top * dt)
    powers = _powers(pattern, jump, stay, start, len(weights))
    probabilities = np.einsum("nk,nsk->sk", weights, powers)

    def pullback(seed: Floats) -> Floats:
        """Run the recursion backwards from the seed."""
        return _backwards(pattern, (jump, stay, weights), powers, seed)

    return probabilities, pullback


def _poisson(mean: Floats) -> Floats:
    """Poisson weights, shape (terms, R), enough for a tail far below rounding."""
    from scipy.special import gammaln

    largest = float(mean.max(initial=0.0))
    if largest > LARGEST_STEPS:
        raise OverflowError(f"{largest:.3g} moves are expected between two visits")
    terms = np.arange(int(largest + 8.0 * np.sqrt(largest) + 14.0))
    with np.errstate(divide="ignore"):
        log_mean = np.where(mean > 0, np.log(np.maximum(mean, 1e-300)), -1e3)
    return np.exp(terms[:, None] * log_mean - mean - gammaln(terms + 1.0)[:, None])


def _powers(pattern: Pattern, jump: Floats, stay: Floats, start: Ints, terms: int) -> Floats:
    """Rows of Rⁿ for n = 0 … terms − 1, shape (terms, S, R)."""
    powers = np.empty((terms, pattern.size, len(start)))
    powers[0] = 0.0
    powers[0, start, np.arange(len(start))] = 1.0
    for n in range(terms - 1):
        here, following = powers[n], powers[n + 1]
        np.multiply(here, stay, out=following)
        for move, (a, b) in enumerate(zip(pattern.origin, pattern.target, strict=True)):
            following[b] += here[a] * jump[move]
    return powers


def _backwards(pattern: Pattern, chain: tuple[Floats, Floats, Floats], powers: Floats, seed: Floats) -> Floats:
    jump, stay, weights = chain
    moves = list(zip(pattern.origin, pattern.target, strict=True))
    gradient = np.zeros_like(jump)
    adjoint = weights[-1] * seed
    for n in range(len(weights) - 2, -1, -1):
        here = powers[n]
        for move, (a, b) in enumerate(moves):
            gradient[move] += (adjoint[b] - adjoint[a]) * here[a]
        earlier = adjoint * stay
        for move, (a, b) in enumerate(moves):
            earlier[a] += adjoint[b] * jump[move]
        earlier += weights[n] * seed
        adjoint = earlier
    result: Floats = gradient * jump
    return result


def rows_at_once(pattern: Pattern, rates: Floats, dt: Floats) -> int:
    """How many rows to hand to `starting_rows` so that its memory stays bounded."""
    leaving = np.zeros((pattern.size, rates.shape[1]))
    np.add.at(leaving, pattern.origin, rates)
    terms = float((leaving.max(0) * dt).max(initial=0.0))
    terms = min(terms, LARGEST_STEPS)
    terms += 8.0 * np.sqrt(terms) + 14.0
    return max(16, min(4096, int(BLOCK_NUMBERS / (terms * pattern.size))))
