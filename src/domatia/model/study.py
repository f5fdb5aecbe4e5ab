"""One frozen study in memory: what the store reads and what the virtual crew brings home."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from domatia.model.fields import kinds
from domatia.model.finding import Finding
from domatia.model.profile import Profile
from domatia.model.tables import empty_table


@dataclass(frozen=True)
class StudyData:
    """All current records of a study, as one polars frame a record kind.

    A record that a newer one replaced, or that was withdrawn, is not here. Where two revisions of one thing stand
    beside each other and nobody has decided, neither is in `tables`; both are in `undecided`.

    Attributes
    ----------
    study_id : bytes
    name : str
    profile : Profile
        The words, ranges and classes of this kind of ant-plant.
    tables : mapping of str to polars.DataFrame
        By record kind, each with the columns of `domatia.model.tables.table_schema(kind)`, sorted by `subject_id`.
    undecided : mapping of str to polars.DataFrame
        Rows of things with two current revisions, by record kind, in the same shape.
    findings : tuple of Finding
        Findings that are still open on these rows; doubts quote them.
    """

    study_id: bytes
    name: str
    profile: Profile
    tables: Mapping[str, pl.DataFrame]
    undecided: Mapping[str, pl.DataFrame] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def table(self, kind: str) -> pl.DataFrame:
        """Give the current records of one kind; an empty table of the right shape where there are none.

        Raises
        ------
        KeyError
            If there is no such record kind.
        """
        if kind not in kinds():
            raise KeyError(kind)
        found = self.tables.get(kind)
        return empty_table(kind) if found is None else found
