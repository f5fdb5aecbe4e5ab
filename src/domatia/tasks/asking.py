"""Asking a study a question, and keeping the answer if that is wanted."""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from sys import modules
from typing import Any

from domatia.histories.subset import values_within
from domatia.model import Answer, Ask
from domatia.questions import ALL, lacking, question
from domatia.questions import answer as answered
from domatia.tasks.keeping import keep_answer
from domatia.tasks.opening import Tick, reading, silent, with_findings


@dataclass(frozen=True)
class Askable:
    """A question, and what a study lacks to be asked it."""

    code: str
    asks: str
    lacks: tuple[str, ...]


def list_questions(where: str) -> tuple[Askable, ...]:
    """Tell which questions a study can answer and what the others lack."""
    with reading(where) as study:
        data = study.read()
    return tuple(Askable(q.code, q.asks, lacking(q, data)) for q in ALL)


def manual_of(code: str) -> str:
    """Give the manual page of a question: what is measured, the model, when not to use it, references.

    Raises
    ------
    WrongUse
        If there is no such question.
    """
    return (modules[question(code).estimate.__module__].__doc__ or "").strip()


def asked_as(options: Mapping[str, Any]) -> Ask:
    """Turn the options of a command into how a question is put; others are passed over."""
    names = {f.name for f in fields(Ask)}
    return Ask(**{k: v for k, v in options.items() if k in names})


@dataclass(frozen=True)
class Everything:
    """What a study says to every question.

    Attributes
    ----------
    answers : tuple of Answer
        Of the questions that could be asked.
    lacks : mapping of str to tuple of str
        Codes of the others, and the records that are missing.
    """

    answers: tuple[Answer, ...]
    lacks: Mapping[str, tuple[str, ...]]


def ask_everything(where: str, ask: Ask, *, keep: bool = False, tick: Tick = silent) -> Everything:
    """Ask a study every question that it can be asked.

    Parameters
    ----------
    where : str
        The study.
    ask : Ask
        How all are put.
    keep : bool
        Store the answers in the study.
    tick : callable
    """
    with reading(where) as study:
        data = study.read()
    tick("checking", 0, len(ALL))
    data = with_findings(data)
    lacks = {q.code: what for q in ALL if (what := lacking(q, data, ask.by))}
    answers = []
    for i, q in enumerate(ALL):
        if q.code not in lacks:
            tick(f"answering {q.code}", i, len(ALL))
            answers.append(answered(q.code, data, ask))
    if keep:
        for a in answers:
            keep_answer(where, a, data)
    return Everything(tuple(answers), lacks)


def ask_within(where: str, code: str, ask: Ask, field: str, *, keep: bool = False, tick: Tick = silent) -> list[Answer]:
    """Ask a study a question once for each value of a field: each site, habitat or species by itself.

    Parameters
    ----------
    where : str
        The study.
    code : str
        The question.
    ask : Ask
    field : str
        A field of the plants or their places, or "site", "block", "plot".
    keep : bool
        Store the answers in the study, where the question "synthesis" finds them.
    tick : callable

    Raises
    ------
    WrongUse
        If there is no such field.
    """
    with reading(where) as study:
        data = study.read()
    tick("checking", 0, 1)
    data = with_findings(data)
    values = values_within(data, field)
    found = []
    for i, value in enumerate(values):
        tick(f"answering for {value}", i, len(values))
        found.append(answered(code, data, replace(ask, only=(field, value))))
    if keep:
        for a in found:
            keep_answer(where, a, data)
    return found


def ask_study(where: str, code: str, ask: Ask, *, keep: bool = False, tick: Tick = silent) -> Answer:
    """Ask a study a question.

    Parameters
    ----------
    where : str
        The study.
    code : str
        The question.
    ask : Ask
    keep : bool
        Store the answer in the study, with the tool as its author; without it nothing is written.
    tick : callable
    """
    with reading(where) as study:
        tick("reading the study", 0, 3)
        data = study.read()
    tick("checking", 1, 3)
    data = with_findings(data)
    tick("answering", 2, 3)
    found = answered(code, data, ask)
    if keep:
        keep_answer(where, found, data)
    tick("done", 3, 3)
    return found
