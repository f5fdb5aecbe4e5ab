"""What a question is, what it is asked with, and what it answers."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol, TypeAlias

import numpy as np
import polars as pl

from domatia.model.finding import Severity
from domatia.model.study import StudyData

Chart: TypeAlias = dict[str, Any]
"""A Vega-Lite specification as plain data."""


@dataclass(frozen=True)
class Ask:
    """How a question is put.

    Attributes
    ----------
    by : str
        The plant's or place's field whose values are contrasted; empty for the treatment assigned.
    adjust : tuple of str
        Fields of the plant or its place that enter as covariates.
    seed : int
        Seed of every random number in the answer.
    draws : int
        Number of bootstrap resamples for curves and other intervals without a formula.
    pool : bool
        Pool the treatments that received no removal (on request only).
    only_effects : bool
        Leave out tables and curves that the effects do not need, for simulations.
    only : tuple of str
        A field and a value: ask of the plants with this value alone. Empty for all plants.
    """

    by: str = ""
    adjust: tuple[str, ...] = ()
    seed: int = 1
    draws: int = 200
    pool: bool = False
    only_effects: bool = False
    only: tuple[str, str] | tuple[()] = ()


@dataclass(frozen=True)
class Effect:
    """One number with its interval.

    Attributes
    ----------
    name : str
        Such as "hazard_ratio".
    of, against : str
        The groups compared; `against` is empty for a quantity of one group.
    where : str
        The part of the study it holds for, "all" where it is all of it.
    estimate, low, high : float
        `nan` is not allowed: an interval that cannot be given is a doubt and an infinite bound.
    level : float
        Coverage of the interval.
    unit : str
        "1" for a ratio or a share.
    main : bool
        The effect that the sentence speaks of.
    standard_error : float or None
        On the scale on which the interval is symmetric (log for ratios), for calibration.
    """

    name: str
    of: str
    against: str
    estimate: float
    low: float
    high: float
    unit: str = "1"
    where: str = "all"
    level: float = 0.95
    main: bool = False
    standard_error: float | None = None


@dataclass(frozen=True)
class Doubt:
    """Why a reader should not lean on a number too hard.

    Attributes
    ----------
    code : str
    severity : {"error", "warning", "note"}
    text : str
        A whole sentence.
    """

    code: str
    severity: Severity
    text: str


@dataclass(frozen=True)
class Rows:
    """The records an answer rests on.

    Attributes
    ----------
    plants, blocks, visits : int
        How many of each stand behind the main effect.
    used : mapping of str to sequence of bytes
        Record ids by kind.
    left_out : mapping of str to sequence of bytes
        Record ids by reason; the reason is a phrase that a person can read.
    words : str
        What the answer rests on, such as "14 fights of 20 colonies", where plants, blocks and visits do not say it.
    """

    plants: int
    blocks: int
    visits: int
    used: Mapping[str, Sequence[bytes]]
    left_out: Mapping[str, Sequence[bytes]]
    words: str = ""

    def __str__(self) -> str:
        if self.words:
            return self.words
        plants = f"{self.plants:,} plant{'' if self.plants == 1 else 's'}"
        return f"{plants}, {self.blocks:,} block{'' if self.blocks == 1 else 's'}, {self.visits:,} visits"


class Found(Protocol):
    """What the estimate of a question gives: a frozen dataclass of its own with at least these."""

    @property
    def effects(self) -> tuple[Effect, ...]:
        """All effects, the main one first; empty if there is too little data."""
        ...

    @property
    def tables(self) -> Mapping[str, pl.DataFrame]:
        """Tables by name."""
        ...

    @property
    def rows(self) -> Rows:
        """The records used and left out."""
        ...

    @property
    def too_little(self) -> str:
        """Empty, or the sentence that says why the question cannot be answered."""
        ...


@dataclass(frozen=True)
class Need:
    """What a question needs, in words, and the test whether a study has it.

    Attributes
    ----------
    what : str
        Such as "visits of the same plant at two dates".
    met : callable
        `met(data)` is true if the study has it.
    """

    what: str
    met: Callable[[StudyData], bool]


@dataclass(frozen=True)
class Question:
    """One question of the study: one file in `domatia.questions`.

    Attributes
    ----------
    code, asks : str
        Its name and the question in words.
    needs : tuple of Need
    sources : tuple of str
        References of the method, each a whole citation.
    method : str
        The methods paragraph for a report.
    estimate : callable
        `estimate(data, ask, rng)` gives a frozen dataclass that follows `Found`.
    doubts : callable
        `doubts(data, found)` gives the doubts.
    figure : callable
        `figure(found)` gives a chart, or None if there is nothing to draw.
    sentence : callable
        `sentence(found, doubts)` gives the answer in words.
    by_fields : tuple of str
        Fields of the question's own that `Ask.by` may name; empty if it may name a field of the plants or places.
    ignores : tuple of str
        Options of `Ask` ("by", "adjust", "pool") that have no effect on it and that it does not speak of itself.
    in_parts : bool
        Whether it can be asked of some of the plants alone; not where its records hang on no plant.
    """

    code: str
    asks: str
    needs: tuple[Need, ...]
    sources: tuple[str, ...]
    method: str
    estimate: Callable[[StudyData, Ask, np.random.Generator], Any]
    doubts: Callable[[StudyData, Any], tuple[Doubt, ...]]
    figure: Callable[[Any], Chart | None]
    sentence: Callable[[Any, Sequence[Doubt]], str]
    by_fields: tuple[str, ...] = ()
    ignores: tuple[str, ...] = ()
    in_parts: bool = True


@dataclass(frozen=True)
class Answer:
    """An answer as it is shown, printed and kept."""

    question: str
    asks: str
    tool: str
    ask: Ask
    answered: bool
    planned: Literal["planned", "found later"]
    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    doubts: tuple[Doubt, ...]
    sentence: str
    method: str
    sources: tuple[str, ...]
    chart: Chart | None = field(default=None, repr=False)
