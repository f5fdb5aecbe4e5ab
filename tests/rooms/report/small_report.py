"""A report of a small simulated study, written once for all tests that read it."""

from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import polars as pl

from domatia.lifecycle import DEFAULT, observe
from domatia.model import Answer, Ask, Finding, Where
from domatia.questions import answer
from domatia.report.compose import Told
from domatia.tasks.reporting import Reported, print_report

OPEN = Finding("tag_flip", "error", (Where(label="plant <6> & 9"),), "Found <b>.", "One tag.", "Look.")


@cache
def told() -> Told:
    """Simulate, answer two questions, and say the rest lack something."""
    data = observe(DEFAULT.sized(8, 24), 7)
    answers: tuple[Answer, ...] = tuple(answer(q, data, Ask(draws=3)) for q in ("survival", "growth"))
    truth = pl.DataFrame(
        {
            "question": ["survival"], "effect": ["hazard ratio"], "of": ["removal"], "against": ["sham"],
            "where": ["all"], "truth": [1.7], "answer": [1.8], "low": [1.5], "high": [2.1], "held": [True],
        }
    )  # fmt: skip
    lacking = {"How much leaf is saved?": ("leaves scored for the share missing",)}
    return Told(data, (OPEN,), (), answers, lacking, truth, "2026-01-02", {"numpy": "2.0"})


@cache
def written() -> Reported:
    """Write page and paper."""
    return print_report(told(), Path(mkdtemp(prefix="report")))


@cache
def page() -> str:
    """Give the page's text."""
    return written().html.read_text(encoding="utf-8")
