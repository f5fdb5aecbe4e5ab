"""Kept answers: which there are, and whether the records behind them have changed since."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from domatia.histories.kept import kept_plain, why_stale
from domatia.model import Answer, StudyData
from domatia.tasks.as_json import answer_as_dict, as_text
from domatia.tasks.opening import reading, writing
from domatia.version import TOOL


@dataclass(frozen=True)
class Kept:
    """A kept answer.

    Attributes
    ----------
    question, sentence, tool : str
    seed : int
    asked : str
        How the question was put, in words; empty if plainly.
    stale : tuple of str
        Why it no longer stands for the study as it is now, each a whole sentence; empty if it does.
    """

    question: str
    sentence: str
    tool: str
    seed: int
    asked: str
    stale: tuple[str, ...]


def keep_answer(where: str, found: Answer, data: StudyData) -> None:
    """Store an answer in its study, with the ids of its rows and how many records there were of their kinds.

    Parameters
    ----------
    where : str
        The study.
    found : Answer
    data : StudyData
        The records that it was made from.
    """
    plain = answer_as_dict(found, with_rows=True)
    plain["held"] = {kind: data.table(kind).height for kind in sorted(found.rows.used)}
    with writing(where) as study:
        study.add(
            "kept_answer",
            {"question": found.question, "json": as_text(plain)},
            author=found.tool,
            why="answer kept",
        )


def kept_answers(where: str) -> tuple[Kept, ...]:
    """List the answers that were kept in a study, and say which of them are stale."""
    with reading(where) as study:
        return kept_in(study.read())


def kept_in(data: StudyData) -> tuple[Kept, ...]:
    """List the kept answers of a study in memory, in the order of question, seed and text."""
    return tuple(_kept(data, plain) for _, plain in kept_plain(data))


def _kept(data: StudyData, plain: Mapping[str, Any]) -> Kept:
    ways = [f"by {plain['by']}"] if plain.get("by") else []
    ways += [f"only {field} {value}" for field, value in plain.get("only", {}).items()]
    ways += [f"allowing for {', '.join(plain['adjust'])}"] if plain.get("adjust") else []
    return Kept(
        question=plain["question"],
        sentence=plain["sentence"],
        tool=plain["tool"],
        seed=plain["seed"],
        asked=", ".join(ways),
        stale=why_stale(data, plain, TOOL),
    )
