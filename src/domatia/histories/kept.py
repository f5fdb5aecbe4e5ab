"""Answers kept in a study, as they were printed, and whether the records behind them have changed since."""

import json
from collections.abc import Mapping
from typing import Any

from domatia.model.study import StudyData

Plain = Mapping[str, Any]


def kept_plain(data: StudyData) -> tuple[tuple[bytes, Plain], ...]:
    """Give the record id and the answer, as plain data, of each kept answer, by question and then from old to new.

    Ids of records that are typed or kept begin with the moment at which they were made, so their order is that of time.
    """
    rows = sorted(data.table("kept_answer").select("question", "record_id", "json").iter_rows())
    return tuple((record, json.loads(text)) for _, record, text in rows)


def why_stale(data: StudyData, plain: Plain, tool: str = "") -> tuple[str, ...]:
    """Say why a kept answer no longer stands for the study as it is.

    Parameters
    ----------
    data : StudyData
    plain : mapping
        The kept answer.
    tool : str
        The tool and its version now; empty to pass over a change of version.

    Returns
    -------
    tuple of str
        Whole sentences; empty if it stands.
    """
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
    if tool and plain["tool"] != tool:
        why.append(f"It was made by {plain['tool']}; this is {tool}.")
    return tuple(why)
