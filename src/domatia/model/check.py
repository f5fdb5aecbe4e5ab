"""What a check is: one file in `domatia.checks`, tables in, findings out."""

from collections.abc import Callable
from dataclasses import dataclass

from domatia.model.finding import Finding, Severity
from domatia.model.study import StudyData


@dataclass(frozen=True)
class Check:
    """One check of a study's data.

    Attributes
    ----------
    code : str
        The name of its file, such as "tag_borne_by_two"; it never changes, since settlements refer to it.
    title : str
        What it looks for, in a line.
    severity : {"error", "warning", "note"}
        The gravest that its findings can be.
    kinds : tuple of str
        Record kinds it reads; without rows of the first one it has nothing to say.
    run : callable
        `run(data)` gives the findings, in an order that does not depend on the order of rows.
    """

    code: str
    title: str
    severity: Severity
    kinds: tuple[str, ...]
    run: Callable[[StudyData], tuple[Finding, ...]]
