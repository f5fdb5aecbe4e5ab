"""Answers and findings as JSON that a program can read: the same answer always gives the same bytes."""

import json
from collections.abc import Mapping
from typing import Any

import polars as pl

from domatia.model import Answer, Effect, Finding


def number(value: float) -> float | str:
    """Give a number, or "inf" and "-inf" as text, since JSON has none."""
    if value in (float("inf"), float("-inf")):
        return "inf" if value > 0 else "-inf"
    return float(value)


def _effect(e: Effect) -> dict[str, Any]:
    return {
        "name": e.name,
        "of": e.of,
        "against": e.against,
        "where": e.where,
        "estimate": number(e.estimate),
        "low": number(e.low),
        "high": number(e.high),
        "level": e.level,
        "unit": e.unit,
        "standard_error": None if e.standard_error is None else number(e.standard_error),
    }


def _cell(value: object) -> object:
    if isinstance(value, float):
        return number(value) if value == value else None
    if isinstance(value, bytes):
        return value.hex()
    return value if value is None or isinstance(value, str | int | bool) else str(value)


def table_as_list(table: pl.DataFrame) -> list[dict[str, object]]:
    """Turn a table into a list of rows."""
    return [{k: _cell(v) for k, v in row.items()} for row in table.to_dicts()]


def answer_as_dict(answer: Answer, *, with_rows: bool = False) -> dict[str, Any]:
    """Turn an answer into plain data.

    Parameters
    ----------
    answer : Answer
    with_rows : bool
        Also give the ids of the records used and left out.
    """
    left_out: Mapping[str, Any] = answer.rows.left_out
    used = sum(len(v) for v in answer.rows.used.values())
    plain: dict[str, Any] = {
        "question": answer.question,
        "asks": answer.asks,
        "tool": answer.tool,
        "seed": answer.ask.seed,
        "by": answer.ask.by,
        "adjust": list(answer.ask.adjust),
        "only": dict([answer.ask.only]) if answer.ask.only else {},
        "planned": answer.planned,
        "answered": answer.answered,
        "effects": [_effect(e) for e in answer.effects],
        "tables": {name: table_as_list(t) for name, t in sorted(answer.tables.items())},
        "counts": {
            "plants": answer.rows.plants,
            "blocks": answer.rows.blocks,
            "visits": answer.rows.visits,
            "used": used,
            "left_out": {reason: len(ids) for reason, ids in sorted(left_out.items())},
        },
        "doubts": [{"code": d.code, "severity": d.severity, "text": d.text} for d in answer.doubts],
        "sentence": answer.sentence,
        "method": {"text": answer.method, "sources": list(answer.sources)},
    }
    if with_rows:
        plain["rows"] = {
            "used": {kind: sorted(i.hex() for i in ids) for kind, ids in sorted(answer.rows.used.items())},
            "left_out": {reason: sorted(i.hex() for i in ids) for reason, ids in sorted(left_out.items())},
        }
    return plain


def finding_as_dict(finding: Finding) -> dict[str, Any]:
    """Turn a finding into plain data."""
    return {
        "key": finding.key,
        "check": finding.code,
        "severity": finding.severity,
        "where": [
            {
                "label": w.label,
                "file": w.file,
                "sheet": w.sheet,
                "row": w.row,
                "column": w.column,
                "kind": w.kind,
                "record": w.record_id.hex(),
            }
            for w in finding.where
        ],
        "found": finding.found,
        "expected": finding.expected,
        "remedy": finding.remedy,
    }


def as_text(plain: object) -> str:
    """Write plain data as JSON, keys in their order, one line a member."""
    return json.dumps(plain, ensure_ascii=False, indent=1, allow_nan=False)
