"""A finding: wrong or doubtful data as a value, gathered and never thrown."""

from dataclasses import dataclass
from typing import Literal

from domatia.model.identity import content_hash

Severity = Literal["error", "warning", "note"]


@dataclass(frozen=True)
class Where:
    """The place of a finding: a cell of an input file, or a record of the study.

    Attributes
    ----------
    file, sheet, column : str
        Empty where they do not apply.
    row : int or None
        The file's own row number, counted from 1 with the header as row 1.
    kind : str
        Record kind, such as "visit".
    record_id : bytes
        Empty if the place is not a record yet.
    label : str
        How a person would name it, such as "plant 82 in FF-1, 2003".
    """

    file: str = ""
    sheet: str = ""
    row: int | None = None
    column: str = ""
    kind: str = ""
    record_id: bytes = b""
    label: str = ""

    def __str__(self) -> str:
        place = [self.label] if self.label else []
        if self.file:
            cell = self.file + (f" [{self.sheet}]" if self.sheet else "")
            cell += f" row {self.row}" if self.row is not None else ""
            place.append(cell + (f" column {self.column}" if self.column else ""))
        elif self.column:
            place.append(f"column {self.column}")
        return "; ".join(place) or self.kind or "the study"


@dataclass(frozen=True)
class Finding:
    """What a check or a reader found.

    Attributes
    ----------
    code : str
        The check's code, the name of its file, such as "tag_borne_by_two".
    severity : {"error", "warning", "note"}
    where : tuple of Where
        All the places concerned, the first being the main one.
    found, expected, remedy : str
        Whole sentences or phrases: what stands there, what was expected, what to do.
    subjects : tuple of bytes
        Ids of the things concerned; with `values` they decide whether an earlier settlement still holds.
    values : tuple of str
        The values that made the finding. When they change, a settled finding opens again.
    """

    code: str
    severity: Severity
    where: tuple[Where, ...]
    found: str
    expected: str
    remedy: str
    subjects: tuple[bytes, ...] = ()
    values: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """Twelve hexadecimal digits that name this finding as long as its subjects and values stay the same."""
        return content_hash((self.code, *sorted(self.subjects), "|", *self.values)).hex()[:12]

    def __str__(self) -> str:
        place = str(self.where[0]) if self.where else "the study"
        return f"{place}: {self.found} Expected: {self.expected} {self.remedy}"
