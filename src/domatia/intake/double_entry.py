"""Two people typed the same sheets: where do they differ, and what is the one table that both agree on?"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import polars as pl

from domatia.intake.text_table import MOST_OF_A_CODE, TextTable
from domatia.model import Finding, Where, WrongUse

KEEP, LEAVE_OUT = "keep", "leave out"
"""Decisions on a row that only one person typed."""

Decisions = Mapping[tuple[tuple[str, ...], str], str]
"""By the row's key and the column: the value that is right. For a row that stands in one entry only the column is
empty and the decision is "keep" or "leave out"."""


@dataclass(frozen=True)
class Comparison:
    """Two entries of the same sheets, compared.

    Attributes
    ----------
    first, second : TextTable
    keys : tuple of str
        Columns that name a line of the paper sheet, such as sheet, line and tag.
    cells : polars.DataFrame
        The cells that differ: the key columns, `column`, `first`, `second`, `first_row`, `second_row`.
    single : polars.DataFrame
        Rows in one entry only: the key columns, `in` ("first" or "second"), `row`.
    findings : tuple of Finding
    """

    first: TextTable
    second: TextTable
    keys: tuple[str, ...]
    cells: pl.DataFrame
    single: pl.DataFrame
    findings: tuple[Finding, ...]

    @property
    def agree(self) -> bool:
        """True if nothing is left to decide."""
        return not self.cells.height and not self.single.height


def compare_entries(first: TextTable, second: TextTable, keys: Sequence[str]) -> Comparison:
    """Compare two entries cell by cell, joined on the key columns and never on the order of rows.

    Blanks at a cell's ends and the difference between an empty cell and none do not count.

    Parameters
    ----------
    first, second : TextTable
    keys : sequence of str
        Columns that together name each row once, in both tables.

    Raises
    ------
    WrongUse
        If a key column is missing, or the same key stands in several rows of one table: then the rows cannot be told
        apart, and a further key column is needed.
    """
    shared = _shared_columns(first, second, keys)
    left, right = _keyed(first, keys, "first"), _keyed(second, keys, "second")
    values = [c for c in shared if c not in keys]
    both = left.join(right, on=list(keys), how="inner", suffix="\x1f2")
    pieces = []
    for name in values:
        differing = both.filter(pl.col(name) != pl.col(f"{name}\x1f2"))
        if differing.height:
            pieces.append(
                differing.select(
                    *keys,
                    pl.lit(name).alias("column"),
                    pl.col(name).alias("first"),
                    pl.col(f"{name}\x1f2").alias("second"),
                    pl.col("\x1ffirst").alias("first_row"),
                    pl.col("\x1fsecond").alias("second_row"),
                )
            )
    cells = pl.concat(pieces) if pieces else pl.DataFrame(schema=_cell_schema(keys))
    order = {name: at for at, name in enumerate(values)}
    if cells.height:
        cells = cells.sort("first_row", pl.col("column").replace_strict(order, return_dtype=pl.Int64))
    alone = [
        table.join(other, on=list(keys), how="anti").select(
            *keys, pl.lit(which).alias("in"), pl.col(f"\x1f{which}").alias("row")
        )
        for table, other, which in ((left, right, "first"), (right, left, "second"))
    ]
    single = pl.concat(alone).sort("in", "row")
    found = (*_extra_columns(first, second), *_findings(first, second, keys, cells, single))
    return Comparison(first, second, tuple(keys), cells, single, found)


def _cell_schema(keys: Sequence[str]) -> dict[str, pl.DataType]:
    text = dict.fromkeys((*keys, "column", "first", "second"), pl.String())
    return {**text, "first_row": pl.Int64(), "second_row": pl.Int64()}


def _shared_columns(first: TextTable, second: TextTable, keys: Sequence[str]) -> list[str]:
    if not keys:
        raise WrongUse("No key columns are named", "columns that name a line of the sheet", "Name for example the tag.")
    for table in (first, second):
        missing = [k for k in keys if k not in table.header]
        if missing:
            raise WrongUse(f"{table.name} has no key column {missing[0]!r}", table.header, name=missing[0])
    taken = {"column", "first", "second", "first_row", "second_row", "in", "row", "decided"} & set(keys)
    if taken:
        raise WrongUse(
            f"A key column cannot be called {sorted(taken)[0]!r} here", next_step="Rename it in both tables."
        )
    return [c for c in first.header if c in second.header]


def _keyed(table: TextTable, keys: Sequence[str], which: str) -> pl.DataFrame:
    plain = table.rows.with_columns(pl.all().fill_null("").str.strip_chars())
    plain = plain.with_columns(table.row_numbers.alias(f"\x1f{which}"))
    twice = plain.filter(pl.struct(list(keys)).is_duplicated())
    if twice.height:
        group = twice.filter(pl.struct(list(keys)) == pl.struct(list(keys)).first())
        named = ", ".join(f"{k} {v!r}" for k, v in zip(keys, group.select(keys).row(0), strict=True))
        lines = ", ".join(str(n) for n in group[f"\x1f{which}"].head(5).to_list())
        raise WrongUse(
            f"In {table.name} {twice.height:,} rows share their key with another, the first being {named} "
            f"in the rows {lines}",
            "a key that names each row once",
            "Add a key column, such as the line of the sheet, or mend the table.",
        )
    return plain


def _extra_columns(first: TextTable, second: TextTable) -> list[Finding]:
    found = []
    for table, other in ((first, second), (second, first)):
        extra = [c for c in table.header if c not in other.header]
        if extra:
            found.append(
                Finding(
                    "entry_column_missing",
                    "warning",
                    (Where(file=other.name, sheet=other.sheet, row=other.header_row),),
                    f"The columns {', '.join(extra)} stand in {table.name} only.",
                    "the same columns in both entries.",
                    "They are not compared; the settled table takes them from the entry that has them.",
                    values=tuple(extra),
                )
            )
    return found


def _findings(
    first: TextTable, second: TextTable, keys: Sequence[str], cells: pl.DataFrame, single: pl.DataFrame
) -> list[Finding]:
    found = []
    for row in cells.head(MOST_OF_A_CODE).iter_rows(named=True):
        found.append(
            Finding(
                "entries_differ",
                "error",
                (
                    Where(first.name, first.sheet, row["first_row"], row["column"], label=_label(keys, row)),
                    Where(second.name, second.sheet, row["second_row"], row["column"]),
                ),
                f"The first entry says {row['first']!r}, the second {row['second']!r}.",
                "the same in both entries.",
                "Look at the paper and decide.",
                values=(row["first"], row["second"]),
            )
        )
    for row in single.head(MOST_OF_A_CODE).iter_rows(named=True):
        here, other = (first, second) if row["in"] == "first" else (second, first)
        found.append(
            Finding(
                "entered_once",
                "error",
                (Where(here.name, here.sheet, row["row"], label=_label(keys, row)),),
                f"This row is not in {other.name}.",
                "the same rows in both entries.",
                'Look at the paper and decide: "keep" or "leave out". A mistyped key makes two such rows.',
                values=(row["in"],),
            )
        )
    more = max(cells.height - MOST_OF_A_CODE, 0) + max(single.height - MOST_OF_A_CODE, 0)
    if more:
        found.append(
            Finding(
                "entries_differ",
                "error",
                (Where(file=first.name, sheet=first.sheet),),
                f"{more:,} more differences are not listed one by one.",
                "entries that differ in few cells.",
                "Look whether the same sheets were typed.",
                values=(str(more),),
            )
        )
    return found


def _label(keys: Sequence[str], row: Mapping[str, object]) -> str:
    return ", ".join(f"{k} {row[k]}" for k in keys)


def open_questions(comparison: Comparison) -> pl.DataFrame:
    """Give one row for everything that is to be decided, with an empty column `decided` to fill in.

    Returns
    -------
    polars.DataFrame
        The key columns, `column`, `first`, `second`, `decided`, all text; for a row in one entry only `column` is
        empty and `decided` takes "keep" or "leave out".
    """
    keys = list(comparison.keys)
    lone = comparison.single.select(
        *keys,
        pl.lit("").alias("column"),
        pl.when(pl.col("in") == "first").then(pl.lit("typed")).otherwise(pl.lit("")).alias("first"),
        pl.when(pl.col("in") == "second").then(pl.lit("typed")).otherwise(pl.lit("")).alias("second"),
    )
    cells = comparison.cells.select(*keys, "column", "first", "second")
    return pl.concat([cells, lone]).with_columns(pl.lit("").alias("decided"))


def read_decisions(table: TextTable, keys: Sequence[str], empty: str = "(empty)") -> Decisions:
    """Read a filled-in table of `open_questions`; rows that are not decided yet are passed over.

    Parameters
    ----------
    table : TextTable
    keys : sequence of str
    empty : str
        What is written in `decided` for a cell that is to be empty.

    Raises
    ------
    WrongUse
        If the table lacks a column.
    """
    needed = (*keys, "column", "decided")
    missing = [c for c in needed if c not in table.header]
    if missing:
        raise WrongUse(f"{table.name} has no column {missing[0]!r}", needed, name=missing[0])
    plain = table.rows.select(pl.col(list(needed)).fill_null("").str.strip_chars())
    found: dict[tuple[tuple[str, ...], str], str] = {}
    for row in plain.iter_rows():
        if row[-1]:
            found[row[: len(keys)], row[-2]] = "" if row[-1] == empty else row[-1]
    return found


def settle_entries(comparison: Comparison, decisions: Decisions, name: str) -> TextTable:
    """Make the one table that follows from both entries and the decisions.

    Parameters
    ----------
    comparison : Comparison
    decisions : mapping
        See `Decisions`; every difference needs one.
    name : str
        Name of the file that the table will be written to.

    Returns
    -------
    TextTable
        Rows in the order of the first entry, then those of the second alone, numbered as they will be in the file.

    Raises
    ------
    WrongUse
        If something is not decided, or a decision names no difference or is neither "keep" nor "leave out".
    """
    _check_decisions(comparison, decisions)
    first, second, keys = comparison.first, comparison.second, list(comparison.keys)
    left, right = _keyed(first, keys, "first"), _keyed(second, keys, "second")
    extra = [c for c in second.header if c not in first.header]
    whole = left.join(right.select(*keys, *extra), on=keys, how="left", maintain_order="left")
    alone = right.join(left, on=keys, how="anti", maintain_order="left")
    whole = pl.concat([whole.select(*first.header, *extra), alone.select(*_or_empty(alone, [*first.header, *extra]))])
    whole = whole.with_columns(pl.all().fill_null(""))
    for column in comparison.cells["column"].unique(maintain_order=True).to_list():
        changes = {key: value for (key, name_), value in decisions.items() if name_ == column}
        table = pl.DataFrame(
            [(*key, value) for key, value in changes.items()],
            schema=dict.fromkeys([*keys, "\x1fnew"], pl.String()),
            orient="row",
        )
        whole = whole.join(table, on=keys, how="left", maintain_order="left")
        whole = whole.with_columns(pl.coalesce("\x1fnew", column).alias(column)).drop("\x1fnew")
    out = [key for (key, column), value in decisions.items() if not column and value == LEAVE_OUT]
    if out:
        gone = pl.DataFrame(out, schema=dict.fromkeys(keys, pl.String()), orient="row")
        whole = whole.join(gone, on=keys, how="anti", maintain_order="left")
    text = "\n".join("\x1f".join(row) for row in whole.iter_rows())
    written = dict(zip(first.header, first.written_header, strict=True))
    return replace(
        first,
        name=name,
        sheet="",
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        size_bytes=len(text.encode()),
        header=tuple(whole.columns),
        written_header=tuple(written.get(c, c) for c in whole.columns),
        rows=whole,
        row_numbers=pl.Series("row", range(2, whole.height + 2), dtype=pl.Int64),
        header_row=1,
        findings=(),
        notes=(f"Settled from {first.name} and {second.name} with {len(decisions)} decisions.",),
        real_dates={},
    )


def _or_empty(frame: pl.DataFrame, columns: Sequence[str]) -> list[pl.Expr]:
    return [pl.col(c) if c in frame.columns else pl.lit("").alias(c) for c in columns]


def _check_decisions(comparison: Comparison, decisions: Decisions) -> None:
    keys = comparison.keys
    open_ = {(row[:-1], row[-1]) for row in comparison.cells.select(*keys, "column").iter_rows()}
    open_ |= {(row, "") for row in comparison.single.select(*keys).iter_rows()}
    undecided = sorted(open_ - set(decisions))
    strange = sorted(set(decisions) - open_)
    wrong = sorted(k for k, v in decisions.items() if not k[1] and v not in (KEEP, LEAVE_OUT))
    told = []
    for what, found in (
        ("undecided", undecided),
        ("about no difference", strange),
        ("neither keep nor leave out", wrong),
    ):
        if found:
            shown = "; ".join(f"{', '.join(key)}{' column ' + c if c else ''}" for key, c in found[:5])
            told.append(f"{len(found):,} {what}: {shown}")
    if told:
        raise WrongUse(
            f"The entries cannot be settled yet ({'. '.join(told)})",
            next_step="Decide every difference; see the table of open questions.",
        )
