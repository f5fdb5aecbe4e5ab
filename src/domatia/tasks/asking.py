"""Asking a study a question, and keeping the answer if that is wanted."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from domatia.model import Answer, Ask
from domatia.questions import ALL, lacking
from domatia.questions import answer as answered
from domatia.tasks.as_json import answer_as_dict, as_text
from domatia.tasks.opening import Tick, reading, silent, with_findings, writing


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


def asked_as(options: Mapping[str, Any]) -> Ask:
    """Turn the options of a command into how a question is put; others are passed over."""
    names = {f.name for f in fields(Ask)}
    return Ask(**{k: v for k, v in options.items() if k in names})


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
        with writing(where) as study:
            study.add(
                "kept_answer",
                {"question": code, "json": as_text(answer_as_dict(found, with_rows=True))},
                author=found.tool,
                why="answer kept",
            )
    tick("done", 3, 3)
    return found
