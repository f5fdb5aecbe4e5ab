"""From a table's shape to rows that each speak of one plant, place or visit, still as text.

Whatever the table looks like (one row a visit, repeated year groups, a pair of years), the result has one row for
each thing said, columns named as the mapping names them, and beside them the place of origin.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

import polars as pl

from domatia.intake.mapping import PSEUDO_COLUMNS, Quantity, TableMapping
from domatia.intake.shape_keys import content_hashes
from domatia.intake.text_table import TextTable
from domatia.model import WrongUse

PRIMARY = {
    "visit": "visit",
    "plant with repeated groups": "plant",
    "pair of years": "visit",
    "plant": "plant",
    "place": "place",
    "tag change": "tag",
    "place visit": "place_visit",
    "quantities": "",
}
"""The record kind that a row of each shape stands for."""

MOST_UNNAMED_COLUMNS = 2_000
MOST_UNNAMED_CELLS = 1_000_000

_SEPARATOR = "\x1f"


@dataclass(frozen=True)
class Rows:
    """Rows of text, one for each thing said.

    Attributes
    ----------
    frame : polars.DataFrame
        One String column for each column that the mapping reads (by the mapping's own name for it), and `@i` (number
        of the row here), `@file`, `@sheet`, `@row` (the file's own number), `@group`, `@at` (number of the group),
        `@hash` (16 bytes of the row as it stands in the file) and `@content` (the mapped cells of the whole row, for
        an order that does not depend on where rows stand).
    headers : tuple of mapping of str to str
        For each group, the mapping's name of a column to the header in the file.
    quantities : tuple of Quantity
        Those of the mapping and one for each column that the mapping does not name.
    table_rows : int
        Rows of the file.
    """

    frame: pl.DataFrame
    headers: tuple[Mapping[str, str], ...]
    quantities: tuple[Quantity, ...]
    table_rows: int

    def header(self, column: str, at: int) -> str:
        """Give the file's header of a column in a group."""
        return self.headers[at].get(column, column)


def repeated(column: str) -> bool:
    """Tell whether a mapping's column changes from group to group."""
    return "{" in column or column == "@group"


def _resolved(column: str, mapping: TableMapping, at: int) -> str:
    groups = mapping.groups
    if not groups.names:
        return column
    header = column.replace("{group}", groups.names[at])
    for alias, headers in groups.columns.items():
        if f"{{{alias}}}" in header:
            header = header.replace(f"{{{alias}}}", headers[at]) if headers[at] else ""
    return header


def _read_columns(mapping: TableMapping, quantities: Sequence[Quantity]) -> Iterator[str]:
    for kind in sorted(mapping.parts):
        part = mapping.parts[kind]
        for name in sorted(part.fields):
            yield from part.fields[name].read
        yield from (k for k in part.key if "." not in k or k.split(".", 1)[0] not in mapping.parts)
    for quantity in sorted(quantities, key=lambda q: (q.of, q.name or q.column)):
        yield quantity.column


def _columns(mapping: TableMapping, quantities: Sequence[Quantity]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(c for c in _read_columns(mapping, quantities) if c not in PSEUDO_COLUMNS))


def _check_headers(table: TextTable, columns: Sequence[str], mapping: TableMapping) -> None:
    groups = range(max(1, len(mapping.groups.names)))
    wanted = dict.fromkeys(h for c in columns for at in groups if (h := _resolved(c, mapping, at)))
    missing = [h for h in wanted if h not in table.header]
    if missing:
        named = ", ".join(repr(m) for m in missing[:12])
        raise WrongUse(
            f"{table.name} has no column {named}, which the mapping names",
            table.header[:60],
            "Headers that stand twice carry their position, such as X@64.",
            name=missing[0],
        )


def _unnamed(tables: Sequence[TextTable], mapping: TableMapping) -> tuple[Quantity, ...]:
    if mapping.table.rest == "leave out":
        return ()
    groups = range(max(1, len(mapping.groups.names)))
    used = {_resolved(c, mapping, at) for c in _columns(mapping, mapping.quantities) for at in groups}
    used |= set(mapping.table.leave_out)
    primary = PRIMARY[mapping.table.row] or ("plant" if "plant" in mapping.parts else "")
    headers = [h for h in dict.fromkeys(h for t in tables for h in t.header) if h not in used]
    cells = len(headers) * sum(t.rows.height for t in tables)
    if len(headers) > MOST_UNNAMED_COLUMNS or cells > MOST_UNNAMED_CELLS:
        raise WrongUse(
            f"{tables[0].name} has {len(headers):,} columns with {cells:,} cells that the mapping does not name",
            f"{MOST_UNNAMED_COLUMNS:,} such columns with {MOST_UNNAMED_CELLS:,} cells, each cell becoming a quantity",
            'Name the columns that you want, and write rest = "leave out" in [table] for the others.',
        )
    return tuple(Quantity(column=h, of=primary) for h in headers)


def _row_hashes(rows: pl.DataFrame) -> pl.Series:
    if not rows.width:
        return pl.Series("@hash", [b""] * rows.height, dtype=pl.Binary)
    joined = rows.select(pl.concat_str(pl.all().fill_null(""), separator=_SEPARATOR).alias("t"))["t"]
    return content_hashes(joined)


def _content(rows: pl.DataFrame, columns: Sequence[str], mapping: TableMapping) -> pl.Series:
    groups = range(max(1, len(mapping.groups.names)))
    headers = dict.fromkeys(h for c in columns for at in groups if (h := _resolved(c, mapping, at)) in rows.columns)
    if mapping.table.row in ("visit", "pair of years") or not headers:
        return pl.repeat("", rows.height, dtype=pl.String, eager=True)
    cells = [pl.col(h).fill_null("").str.strip_chars() for h in headers]
    return rows.select(pl.concat_str(cells, separator=_SEPARATOR).alias("t"))["t"]


def _one_table(table: TextTable, columns: Sequence[str], mapping: TableMapping) -> Iterator[pl.DataFrame]:
    origin = pl.DataFrame(
        {
            "@row": table.row_numbers.cast(pl.Int64),
            "@hash": _row_hashes(table.rows),
            "@content": _content(table.rows, columns, mapping),
        }
    ).with_columns(pl.lit(table.name).alias("@file"), pl.lit(table.sheet).alias("@sheet"))
    for at in range(max(1, len(mapping.groups.names))):
        cells = []
        for column in columns:
            header = _resolved(column, mapping, at)
            cell = pl.col(header) if header in table.header else pl.lit(None, dtype=pl.String)
            cells.append(cell.str.replace_all("\0", "\u2400", literal=True).alias(column))
        group = mapping.groups.names[at] if mapping.groups.names else None
        yield pl.concat([table.rows.select(cells) if cells else pl.DataFrame(), origin], how="horizontal").with_columns(
            pl.lit(group, dtype=pl.String).alias("@group"), pl.lit(at, dtype=pl.Int64).alias("@at")
        )


def rows_of(tables: Sequence[TextTable], mapping: TableMapping) -> Rows:
    """Give the rows of the tables that a mapping speaks of.

    Parameters
    ----------
    tables : sequence of TextTable
        Tables of one file; those whose sheet the mapping does not mean are left aside.
    mapping : TableMapping

    Raises
    ------
    WrongUse
        If no table is left, or a table lacks a column that the mapping names.
    """
    wanted = mapping.table.sheet or "*"
    meant = [t for t in tables if fnmatchcase(t.sheet, wanted)]
    if not meant:
        raise WrongUse(
            f"No table fits the mapping, which wants the sheet {wanted!r}",
            [t.sheet for t in tables],
            name=wanted,
        )
    quantities = (*mapping.quantities, *_unnamed(meant, mapping))
    columns = _columns(mapping, quantities)
    named = _columns(mapping, mapping.quantities)
    for table in meant:
        _check_headers(table, named, mapping)
    parts = [part for table in meant for part in _one_table(table, columns, mapping)]
    frame = pl.concat(parts).with_row_index("@i").with_columns(pl.col("@i").cast(pl.Int64))
    groups = range(max(1, len(mapping.groups.names)))
    headers = tuple({c: _resolved(c, mapping, at) for c in columns} for at in groups)
    return Rows(frame, headers, quantities, sum(t.rows.height for t in meant))
