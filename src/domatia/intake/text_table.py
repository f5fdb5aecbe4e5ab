"""A table as it was written: every cell text, every row with the file's own number, nothing judged yet."""

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from domatia.model import Finding, Where, WrongUse
from domatia.model.finding import Severity

MOST_OF_A_CODE = 1000
"""Findings of one code that are listed one by one; a last one counts the rest."""


@dataclass(frozen=True)
class TextTable:
    """One table of a file, read as text.

    Attributes
    ----------
    name : str
        File name without its folder.
    sheet : str
        Name of the sheet, empty for files that have none.
    sha256 : str
        Hash of the whole file.
    size_bytes : int
    header : tuple of str
        Unique names of the columns: the written header without blanks at its ends
        (line breaks and doubled blanks become one blank); where a header stands more than
        once, all its columns get their position added ("row@47"); a blank header becomes "column@4".
    written_header : tuple of str
        The header as it stands in the file.
    rows : polars.DataFrame
        One String column for each name of `header`. Empty text is an empty cell; null means that the line ended
        before this column. A row without any value is left out.
    row_numbers : polars.Series
        The file's own number of each row (Int64): lines of a text file and rows of a sheet, counted from 1.
    header_row : int
        The file's own number of the header row.
    findings : tuple of Finding
        What is wrong or doubtful about the table as such.
    notes : tuple of str
        How the file was read (encoding, delimiter) and why, as whole sentences.
    real_dates : mapping of str to polars.Series
        For columns with cells that the workbook itself holds as dates or times: true where a cell is one. Their text
        is ISO 8601.
    encoding, delimiter : str
        As used; empty for workbooks.
    """

    name: str
    sheet: str
    sha256: str
    size_bytes: int
    header: tuple[str, ...]
    written_header: tuple[str, ...]
    rows: pl.DataFrame
    row_numbers: pl.Series
    header_row: int = 1
    findings: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()
    real_dates: Mapping[str, pl.Series] = field(default_factory=dict)
    encoding: str = ""
    delimiter: str = ""

    def where(self, index: int, column: str = "") -> Where:
        """Give the place of a cell, or of a whole row, by the row's index in `rows`."""
        return Where(file=self.name, sheet=self.sheet, row=int(self.row_numbers[index]), column=column)

    def column(self, name: str) -> pl.Series:
        """Give one column.

        Raises
        ------
        WrongUse
            If the table has no such column.
        """
        if name not in self.header:
            raise WrongUse(f"{self.name} has no column {name!r}", self.header, name=name)
        return self.rows[name]


def unique_header(written: Sequence[str]) -> tuple[str, ...]:
    """Give each column a name that no other column has.

    Parameters
    ----------
    written : sequence of str
        The header as it stands in the file.

    Returns
    -------
    tuple of str
    """
    plain = [" ".join(name.split()) for name in written]
    times = Counter(plain)
    taken: set[str] = {name for name, n in times.items() if n == 1 and name}
    found = []
    for at, name in enumerate(plain, start=1):
        if name and times[name] == 1:
            found.append(name)
            continue
        made = f"{name or 'column'}@{at}"
        while made in taken:
            made += "'"
        taken.add(made)
        found.append(made)
    return tuple(found)


def used_columns(rows: pl.DataFrame, written: Sequence[str]) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Leave out columns that have neither a header nor a value; the names of the others do not change.

    Returns
    -------
    rows : polars.DataFrame
    written : tuple of str
        The headers of the columns that stay, as written.
    """
    bare = [name for name, w in zip(rows.columns, written, strict=True) if not w.strip()]
    if not bare:
        return rows, tuple(written)
    filled = rows.select(pl.col(bare).str.strip_chars().ne("").any()).row(0)
    idle = {name for name, used in zip(bare, filled, strict=True) if not used}
    kept = [(name, w) for name, w in zip(rows.columns, written, strict=True) if name not in idle]
    return rows.select(name for name, _ in kept), tuple(w for _, w in kept)


def _doubled(file: str, sheet: str, row: int, written: Sequence[str]) -> list[Finding]:
    """Say which headers stand twice or are blank."""
    names = unique_header(written)
    groups: dict[str, list[str]] = {}
    for plain, name in zip((" ".join(w.split()) for w in written), names, strict=True):
        if plain != name:
            groups.setdefault(plain, []).append(name)
    found = []
    for plain, given in groups.items():
        shown = ", ".join(given[:12]) + (f" and {len(given) - 12} more" if len(given) > 12 else "")
        found.append(
            Finding(
                code="header_doubled" if plain else "header_blank",
                severity="warning" if plain else "note",
                where=(Where(file=file, sheet=sheet, row=row, column=given[0]),),
                found=f"The header {plain!r} stands over {len(given)} columns."
                if plain
                else f"{len(given)} columns have no header.",
                expected="one name for each column.",
                remedy=f"They are called {shown}; use these names in the mapping.",
                values=(plain, *given[:12]),
            )
        )
    return found


class Gathering:
    """Findings about one table while it is read: a code that turns up too often is counted, not listed for ever.

    Parameters
    ----------
    file, sheet : str
        Where the findings lie.
    most : int
        Findings of one code that are listed one by one.
    """

    def __init__(self, file: str, sheet: str = "", most: int = MOST_OF_A_CODE) -> None:
        self.file, self.sheet, self.most = file, sheet, most
        self._found: list[Finding] = []
        self._counts: Counter[str] = Counter()
        self._severity: dict[str, Severity] = {}

    def add(  # noqa: PLR0913 - a finding has this many parts
        self,
        code: str,
        severity: Severity,
        row: int | None,
        found: str,
        expected: str,
        remedy: str,
        column: str = "",
        values: Iterable[str] = (),
    ) -> None:
        """Add a finding about one cell, row or the whole table."""
        self._counts[code] += 1
        self._severity[code] = severity
        if self._counts[code] <= self.most:
            place = (Where(file=self.file, sheet=self.sheet, row=row, column=column),)
            self._found.append(Finding(code, severity, place, found, expected, remedy, values=tuple(values)))

    def count(self, code: str, severity: Severity, more: int) -> None:
        """Count findings of a code that are not listed, beyond those that were added."""
        if more > 0:
            self._counts[code] += more
            self._severity[code] = severity

    def extend(self, findings: Iterable[Finding]) -> None:
        """Take over findings made elsewhere."""
        self._found.extend(findings)

    def all(self) -> tuple[Finding, ...]:
        """Give the findings, with a last one for each code of which not all are listed."""
        listed = Counter(f.code for f in self._found)
        rest = [
            Finding(
                code=code,
                severity=self._severity[code],
                where=(Where(file=self.file, sheet=self.sheet),),
                found=f"{n - listed[code]:,} more findings of this kind are not listed one by one.",
                expected="few enough to settle one by one.",
                remedy="Look for one cause behind them, mend it and read the file again.",
                values=(str(n),),
            )
            for code, n in sorted(self._counts.items())
            if n > listed[code]
        ]
        return (*self._found, *rest)


def blank_rows(rows: pl.DataFrame) -> pl.Series:
    """Tell which rows hold no value at all: only blanks, empty cells and missing ones (Boolean)."""
    if not rows.width:
        return pl.Series([], dtype=pl.Boolean)
    tests = [pl.col(c).is_null() | (pl.col(c).str.strip_chars() == "") for c in rows.columns]
    return rows.select(pl.all_horizontal(tests).fill_null(True).alias("blank"))["blank"]


def without_long_cells(rows: pl.DataFrame, numbers: pl.Series, most: int, gathering: Gathering) -> pl.DataFrame:
    """Cut cells that are longer than any note; each is an error of its row."""
    for name in rows.columns:
        length = rows[name].str.len_bytes()
        long = (length > most).fill_null(False)
        if not long.any():
            continue
        for row, bytes_ in zip(numbers.filter(long).to_list(), length.filter(long).to_list(), strict=True):
            gathering.add(
                "cell_too_long",
                "error",
                row,
                f"A cell holds {bytes_:,} bytes of text; only its beginning is read.",
                f"cells of at most {most:,} bytes.",
                "Look at this cell in the original; a quote may be missing.",
                column=name,
            )
        short = pl.when(pl.lit(long)).then(pl.col(name).str.slice(0, 1000)).otherwise(name)
        rows = rows.with_columns(short.alias(name))
    return rows


def tell_no_rows(gathering: Gathering, rows: int, header_row: int) -> None:
    """Say that a table has a header and nothing below it."""
    if not rows:
        gathering.add(
            "no_rows",
            "warning",
            header_row,
            "There is a header and no row below it.",
            "rows.",
            "Look whether the file was saved whole.",
        )


def judge_header(gathering: Gathering, row: int, written: Sequence[str], body: pl.DataFrame) -> None:
    """Say what is odd about a header: doubled or blank names, a title in its place, or values instead of names.

    Parameters
    ----------
    gathering : Gathering
        Takes the findings.
    row : int
        The file's own number of the header row.
    written : sequence of str
        The header as it stands in the file.
    body : polars.DataFrame
        The rows below it.
    """
    gathering.extend(_doubled(gathering.file, gathering.sheet, row, written))
    named = sum(1 for w in written if w.strip())
    below = [v for v in body.row(0) if v and v.strip()] if body.height else []
    words = sum(1 for v in below if not _NUMBER.fullmatch(v.strip()))
    if named <= len(written) / 3 and len(below) > 2 * named and words > len(below) / 2:
        gathering.add(
            "title_above_header",
            "warning",
            row,
            f"The row taken for the header names {named} of {len(written)} columns; the next row fills {len(below)}.",
            "a header that names every column.",
            f"If this is a title, write skip_rows = {row} into the mapping.",
        )
    elif named > 1 and all(_NUMBER.fullmatch(w.strip()) for w in written if w.strip()):
        gathering.add(
            "header_is_values",
            "error",
            row,
            "The row taken for the header holds nothing but numbers.",
            "names of columns.",
            "Write the names into the first row.",
        )


_NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?|NA|NaN")
