"""A safe copy of a study, and the log of its changes."""

from pathlib import Path

import polars as pl

from domatia.model import Finding
from domatia.tasks.opening import reading
from domatia.tasks.starting import study_path


def copy_study(where: str, target: str) -> Path:
    """Write a whole copy of a study to a new file, also while somebody writes to it.

    Raises
    ------
    WrongUse
        If the target exists, or the study lies in a PostgreSQL database.
    """
    path = Path(study_path(target))
    with reading(where) as study:
        study.copy_to(path)
    return path


def changes_of(
    where: str, since: str | None = None, until: str | None = None, limit: int | None = None
) -> pl.DataFrame:
    """Give who replaced what, when and why, newest first; see `domatia.store.OpenStudy.changes`."""
    with reading(where) as study:
        return study.changes(since, until, limit)


def integrity_of(where: str) -> tuple[Finding, ...]:
    """Check the study file itself."""
    with reading(where) as study:
        return study.check_integrity()
