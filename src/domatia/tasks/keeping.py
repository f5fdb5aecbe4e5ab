"""Kept answers: which there are, and whether the records behind them have changed since."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

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
    texts = sorted(data.table("kept_answer").select("question", "json").iter_rows())
    return tuple(_kept(data, json.loads(text)) for _, text in texts)


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
        stale=_why_stale(data, plain),
    )


def _why_stale(data: StudyData, plain: Mapping[str, Any]) -> tuple[str, ...]:
    used: Mapping[str, list[str]] = plain.get("rows", {}).get("used", {})
    held: Mapping[str, int] = plain.get("held", {})
    why = []
    for kind, ids in sorted(used.items()):
        name = kind.replace("_", " ")
        now = {i.hex() for i in data.table(kind)["record_id"].to_list()}
        gone = len(set(ids) - now)
        new = len(now) - held.get(kind, len(now))
        if gone:
            why.append(f"{gone:,} of the {len(ids):,} {name} records it used were corrected or withdrawn since.")
        if new > 0 or (new < 0 and not gone):
            why.append(f"{abs(new):,} {name} records {'came in' if new > 0 else 'were withdrawn'} since.")
    if plain["tool"] != TOOL:
        why.append(f"It was made by {plain['tool']}; this is {TOOL}.")
    return tuple(why)
