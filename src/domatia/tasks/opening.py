"""Opening a study, for every other task."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

from domatia.checks import run_checks
from domatia.model import Finding, StudyData
from domatia.store import OpenStudy, open_study

Tick = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and how much there is (0 if not known)."""


def silent(what: str, done: int, total: int) -> None:
    """Show no progress."""


@contextmanager
def reading(where: str) -> Iterator[OpenStudy]:
    """Open a study for reading only."""
    with open_study(where) as study:
        yield study


@contextmanager
def writing(where: str) -> Iterator[OpenStudy]:
    """Open a study for writing."""
    with open_study(where, write=True) as study:
        yield study


def settled_keys(data: StudyData) -> dict[str, str]:
    """Give the keys of settled findings and what was decided."""
    table = data.table("settlement").select("finding", "decision").sort("finding", "decision")
    return dict(table.iter_rows())


def findings_of(data: StudyData, only: tuple[str, ...] = ()) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Run the checks and part the findings into open and settled ones.

    A settlement holds as long as the finding's subjects and values stay what they were.
    """
    known = settled_keys(data)
    every = (*data.findings, *run_checks(data, only))
    return tuple(f for f in every if f.key not in known), tuple(f for f in every if f.key in known)


def with_findings(data: StudyData) -> StudyData:
    """Give the study with the findings that are still open on its rows, for doubts to quote."""
    return replace(data, findings=findings_of(data)[0])
