"""One file a question."""

import numpy as np

from domatia.histories.facts import plant_facts
from domatia.histories.subset import only_plants
from domatia.model import Answer, Ask, Doubt, Question, StudyData, WrongUse
from domatia.questions import (
    associates,
    brood,
    clearance,
    damage,
    fights,
    founding,
    growth,
    intruders,
    light,
    palatability,
    patrol,
    pattern,
    reproduction,
    resprout,
    rewards,
    survival,
    synthesis,
    takeover,
)
from domatia.questions.planned import planned
from domatia.version import TOOL

ALL: tuple[Question, ...] = (
    survival.QUESTION,
    growth.QUESTION,
    reproduction.QUESTION,
    damage.QUESTION,
    founding.QUESTION,
    takeover.QUESTION,
    patrol.QUESTION,
    intruders.QUESTION,
    rewards.QUESTION,
    light.QUESTION,
    pattern.QUESTION,
    fights.QUESTION,
    brood.QUESTION,
    clearance.QUESTION,
    associates.QUESTION,
    palatability.QUESTION,
    resprout.QUESTION,
    synthesis.QUESTION,
)
"""Every question, in the order of a report."""


COMPARING = ("survival", "growth", "reproduction", "damage", "intruders", "clearance")
"""Questions that compare groups of plants and so need treatments or a field to compare by."""


def question(code: str) -> Question:
    """Give the question of that code.

    Raises
    ------
    WrongUse
        If there is none.
    """
    for q in ALL:
        if q.code == code:
            return q
    asked = f"There is no question {code!r}" if code else "No question was named"
    raise WrongUse(asked, [q.code for q in ALL], name=code)


def lacking(asked: Question, data: StudyData, by: str = "") -> tuple[str, ...]:
    """Say what a study lacks to be asked a question; empty if it lacks nothing.

    Parameters
    ----------
    asked : Question
    data : StudyData
    by : str
        The field that plants are compared by, empty for the treatments.
    """
    lacks = tuple(n.what for n in asked.needs if not n.met(data))
    if by and asked.by_fields and by not in asked.by_fields:
        lacks += (f"a field of its own to compare by ({', '.join(asked.by_fields)}), not {by}",)
    treated = asked.code in COMPARING and plant_facts(data)["treatment"].drop_nulls().n_unique() > 1
    if not lacks and not by and not treated and asked.code in COMPARING:
        return ("treatments given to plants; or compare plants by a field of theirs with --by",)
    return lacks


def answer(code: str, data: StudyData, ask: Ask | None = None) -> Answer:
    """Ask a question of a study.

    Parameters
    ----------
    code : str
    data : StudyData
    ask : Ask, optional

    Returns
    -------
    Answer
        Also where the study holds too little: then `answered` is false and the sentence says why.

    Raises
    ------
    WrongUse
        If the question or a field named in `ask` does not exist, the seed is negative or there are too few draws.
    """
    asked = question(code)
    put = ask if ask is not None else Ask()
    if put.seed < 0 or put.draws < 2:
        raise WrongUse(
            f"A seed of {put.seed} and {put.draws} draws",
            "a seed of 0 or more, and 2 draws or more",
            "Nothing was asked.",
        )
    if put.only and not asked.in_parts:
        raise WrongUse(
            f"The question {code} asked within {put.only[0]}",
            "questions whose records hang on plants",
            "Ask it of the whole study.",
        )
    if put.only:
        data = only_plants(data, *put.only)
    found = asked.estimate(data, put, np.random.default_rng(np.random.SeedSequence([put.seed, _number_of(code)])))
    unused = [f"--{option}" for option in asked.ignores if getattr(put, option)]
    doubts = asked.doubts(data, found)
    if unused:
        doubts = (*doubts, Doubt("option_unused", "note", f"Of no effect on this question: {', '.join(unused)}."))
    return Answer(
        question=code,
        asks=asked.asks,
        tool=TOOL,
        ask=put,
        answered=not found.too_little,
        planned=planned(data, code, put, found.effects),
        effects=found.effects,
        tables=found.tables,
        rows=found.rows,
        doubts=doubts,
        sentence=asked.sentence(found, doubts),
        method=asked.method,
        sources=asked.sources,
        chart=asked.figure(found),
    )


def _number_of(code: str) -> int:
    return int.from_bytes(code.encode()[:8], "big")
