"""The randomisation test: how often would a redrawn treatment give a difference at least as large?

The treatment is drawn again as it was drawn, within blocks, and the statistic computed each time; nothing is assumed
about the distribution of the responses (Fisher 1935, The Design of Experiments, chapters 2-3). The drawn treatment
itself counts as one of the draws, so p is never nought and the test keeps its level (Phipson & Smyth 2010, Statistical
Applications in Genetics and Molecular Biology 9(1):39). If all arrangements are no more than the draws asked for, all
are tried. The hypothesis is that no unit would have responded otherwise under another treatment.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product
from math import comb
from typing import Literal

import numpy as np

from domatia.stats.arrays import Floats, Ints

Alternative = Literal["two-sided", "greater", "less"]
Statistic = Callable[[Ints], float]
Tick = Callable[[int, int], None]


@dataclass(frozen=True)
class Assignment:
    """Treatments as drawn, and how they are drawn anew.

    Attributes
    ----------
    treatment : array, shape (n,)
        Treatment of each unit as drawn.
    blocks : array, shape (n,), or None
        Blocks within which treatments are exchanged; None exchanges them among all units.
    redraw : callable or None
        A function that draws the treatments anew as the experiment did; it takes the place of `blocks`.
    """

    treatment: Ints
    blocks: Ints | None = None
    redraw: Callable[[np.random.Generator], Ints] | None = None


@dataclass(frozen=True)
class RandomisationTest:
    """The outcome of a randomisation test.

    Attributes
    ----------
    observed : float
        Statistic of the treatment as drawn.
    p : float
        Share of arrangements whose statistic is at least as extreme.
    as_extreme : int
        Their number, the drawn arrangement included.
    arrangements : int
        Number of arrangements looked at, the drawn one included.
    complete : bool
        Whether these are all that are possible; p is then exact, else its own standard error is `p_error`.
    alternative : str
    drawn : array
        Statistics of the arrangements, the observed one first unless complete.
    failed : int
        Arrangements whose statistic could not be computed; they count as extreme.
    """

    observed: float
    p: float
    as_extreme: int
    arrangements: int
    complete: bool
    alternative: Alternative
    drawn: Floats
    failed: int

    @property
    def p_error(self) -> float:
        """Standard error of p from the limited number of draws."""
        return 0.0 if self.complete else float(np.sqrt(self.p * (1 - self.p) / self.arrangements))


def randomisation_test(
    statistic: Statistic,
    assignment: Assignment,
    rng: np.random.Generator,
    *,
    draws: int = 999,
    alternative: Alternative = "two-sided",
    tick: Tick | None = None,
) -> RandomisationTest:
    """Test a treatment effect by redrawing the treatment.

    Parameters
    ----------
    statistic : callable
        Takes treatments, shape (n,), and returns a number that is nought without an effect.
    assignment : Assignment
        Treatments as drawn, and how they are drawn anew.
    rng : numpy.random.Generator
    draws : int
        Redraws; 999 gives p to 0.001.
    alternative : str
        ``"two-sided"`` compares absolute values.
    tick : callable or None
        Called with the number done and the total.

    Raises
    ------
    ValueError
        If there is nothing to redraw, too few draws, or the observed statistic is not finite.
    """
    if draws < 1:
        raise ValueError(f"a randomisation test needs draws, not {draws}; 999 is usual")
    treatment, blocks = assignment.treatment, assignment.blocks
    observed = float(statistic(treatment))
    if not np.isfinite(observed):
        raise ValueError("randomisation test: the statistic of the data is not a number; see whether each arm has data")
    redraw = assignment.redraw
    if redraw is not None:
        arrangements: Iterator[Ints] = (redraw(rng) for _ in range(draws))
        complete, total = False, draws
    else:
        blocks = np.zeros_like(treatment) if blocks is None else blocks
        possible = count_arrangements(treatment, blocks)
        if possible < 2:
            raise ValueError("randomisation test: no block holds two treatments, so there is nothing to redraw")
        complete = possible <= draws
        total = possible if complete else draws
        arrangements = all_arrangements(treatment, blocks) if complete else _redraws(treatment, blocks, rng, draws)
    return _compare(statistic, observed, arrangements, (total, complete, alternative), tick)


def _compare(
    statistic: Statistic,
    observed: float,
    arrangements: Iterator[Ints],
    how: tuple[int, bool, Alternative],
    tick: Tick | None,
) -> RandomisationTest:
    """Compute the statistic of each arrangement and count those as extreme as the observed one."""
    total, complete, alternative = how
    values = [] if complete else [observed]
    for done, arrangement in enumerate(arrangements, start=1):
        values.append(float(statistic(arrangement)))
        if tick is not None:
            tick(done, total)
    drawn = np.array(values)
    failed = ~np.isfinite(drawn)
    sided = {"two-sided": np.abs(drawn), "greater": drawn, "less": -drawn}[alternative]
    bar = {"two-sided": abs(observed), "greater": observed, "less": -observed}[alternative]
    extreme = int(np.sum((sided >= bar - 1e-9 * max(1.0, abs(bar))) | failed))
    count = len(drawn)
    return RandomisationTest(observed, extreme / count, extreme, count, complete, alternative, drawn, int(failed.sum()))


def _redraws(treatment: Ints, blocks: Ints, rng: np.random.Generator, draws: int) -> Iterator[Ints]:
    """Exchange treatments within blocks at random."""
    order = np.argsort(blocks, kind="stable")
    _, code = np.unique(blocks[order], return_inverse=True)
    for _ in range(draws):
        shuffled = np.lexsort((rng.random(len(order)), code))
        new = np.empty_like(treatment)
        new[order] = treatment[order][shuffled]
        yield new


def count_arrangements(treatment: Ints, blocks: Ints) -> int:
    """Count the distinct arrangements of the treatments within blocks."""
    total = 1
    for block in np.unique(blocks):
        left = int(np.sum(blocks == block))
        sizes = np.unique(treatment[blocks == block], return_counts=True)[1]
        for size in sizes:
            total *= comb(left, int(size))
            left -= int(size)
    return total


def all_arrangements(treatment: Ints, blocks: Ints) -> Iterator[Ints]:
    """Go through all distinct arrangements of the treatments within blocks."""
    places = [np.flatnonzero(blocks == block) for block in np.unique(blocks)]
    choices = [list(_distinct(sorted(int(t) for t in treatment[place]))) for place in places]
    for choice in product(*choices):
        new = np.empty_like(treatment)
        for place, values in zip(places, choice, strict=True):
            new[place] = values
        yield new


def _distinct(values: list[int]) -> Iterator[tuple[int, ...]]:
    """Go through the distinct orders of sorted values."""
    if not values:
        yield ()
    for position, value in enumerate(values):
        if position == 0 or values[position - 1] != value:
            for rest in _distinct(values[:position] + values[position + 1 :]):
                yield (value, *rest)


def smallest_p(treatment: Ints, blocks: Ints) -> float:
    """Return the smallest p that any data could give with this draw: one over the number of arrangements.

    A two-sided test of two treatments of equal number cannot come below twice that.
    """
    return 1 / count_arrangements(treatment, blocks)
