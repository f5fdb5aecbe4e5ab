"""Random numbers keyed by seed, replicate, month and plant.

Each (seed, replicate, purpose, step) opens a counter-based Philox stream of its own (Salmon et al. 2011, Parallel
random numbers: as easy as 1, 2, 3, SC '11), and the plants take its numbers in the fixed order of their slots. What
a plant gets therefore depends on nothing but its key: neither on the number of workers, nor on which replicate ran
first, nor on how many numbers another purpose used.
"""

from enum import IntEnum

import numpy as np

_WORD = 2**64


class Purpose(IntEnum):
    """What a stream is for; the numbers never change, since results hang on them."""

    BLOCKS = 1
    ARMS = 2
    POSITIONS = 3
    LIGHT = 4
    SIZES = 5
    OCCUPANTS = 6
    SCHEDULE = 7
    FINDING = 8
    TREATING = 9
    DEATH = 10
    OCCUPANCY = 11
    CHOICE = 12
    NEIGHBOUR = 13
    GROWTH = 14
    BROWSING = 15
    MEASURES = 16
    SEEING = 17
    TAGS = 18
    LEAVES = 19
    PEOPLE = 20
    PAPER = 21
    IDS = 22
    LAYERS = 23


def stream(seed: int, replicate: int, purpose: Purpose, step: int = 0) -> np.random.Generator:
    """Open the stream of one purpose at one step (a month, a round or zero).

    Raises
    ------
    ValueError
        If seed, replicate or step is negative.
    """
    if min(seed, replicate, step) < 0:
        raise ValueError(f"seed, replicate and step are never negative, here {seed}, {replicate}, {step}")
    key = np.array([seed % _WORD, replicate % _WORD], dtype=np.uint64)
    counter = np.array([0, 0, step, int(purpose)], dtype=np.uint64)
    return np.random.Generator(np.random.Philox(key=key, counter=counter))
