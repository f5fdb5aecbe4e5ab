"""Delimited text becomes a table of text, with the file's own line numbers and a finding for every odd row."""

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.intake.guard import LIMITS, Limits, check_shape, check_size, sha256_of, stop
from domatia.intake.text_form import DELIMITERS, find_delimiter, text_form
from domatia.intake.text_table import (
    Gathering,
    TextTable,
    blank_rows,
    judge_header,
    tell_no_rows,
    unique_header,
    used_columns,
    without_long_cells,
)
from domatia.model import WrongUse

Numbers = NDArray[np.int64]

_LONG_CELL_LINES = 20
_ROWS_AT_ONCE = 20_000


@dataclass(frozen=True)
class _Cut:
    """Where the rows of a text lie: first byte, byte behind the last, line number, number of cells."""

    starts: Numbers
    ends: Numbers
    lines: Numbers
    cells: Numbers
    last_line: int


def read_csv(
    path: Path, *, encoding: str = "", delimiter: str = "", skip_rows: int = 0, limits: Limits = LIMITS
) -> TextTable:
    """Read a delimited text file.

    Parameters
    ----------
    path : Path
    encoding, delimiter : str
        As the user names them; empty to find out, in which case the reason stands in the notes, and in a finding
        where it is doubtful.
    skip_rows : int
        Lines before the header.
    limits : Limits

    Raises
    ------
    CannotOpen
        If nothing can be read at all.
    WrongUse
        If the encoding or the delimiter named is none.
    """
    if delimiter and (len(delimiter) != 1 or delimiter in '"\n\r'):
        raise WrongUse(f"The delimiter {delimiter!r} is not one character", ", ".join(DELIMITERS.values()))
    size = check_size(path, limits.file_bytes)
    gathering = Gathering(path.name)
    form = text_form(path, path.read_bytes(), encoding, gathering)
    data, skipped = _skip(form.data, skip_rows)
    named = re.match(rb"sep=(.)\n", data)
    notes = list(form.notes)
    if named and not delimiter:
        delimiter, data, skipped = named[1].decode("utf-8", "replace"), data[named.end() :], skipped + 1
        notes.append(f"Delimiter {DELIMITERS.get(delimiter, delimiter)}, because the first line says so.")
    elif not delimiter:
        delimiter, note = find_delimiter(data, path.name, gathering)
        notes += [note] if note else []
    if not data.strip():
        raise stop(path, f"there is nothing after line {skipped}", "Look whether the file was saved whole.")
    written, rows, numbers, header_row = _cells(path, data, delimiter, skipped, gathering, limits)
    rows, numbers = _without_blank(rows, numbers, gathering)
    rows, written = used_columns(rows, written)
    tell_no_rows(gathering, rows.height, header_row)
    rows = without_long_cells(rows, numbers, limits.cell_bytes, gathering)
    return TextTable(
        name=path.name,
        sheet="",
        sha256=sha256_of(path),
        size_bytes=size,
        header=tuple(rows.columns),
        written_header=written,
        rows=rows,
        row_numbers=numbers,
        header_row=header_row,
        findings=gathering.all(),
        notes=tuple(notes),
        encoding=form.encoding,
        delimiter=delimiter,
    )


def _skip(data: bytes, lines: int) -> tuple[bytes, int]:
    at = 0
    for n in range(lines):
        end = data.find(b"\n", at)
        if end < 0:
            return b"", n
        at = end + 1
    return data[at:], lines


def _cells(
    path: Path, data: bytes, delimiter: str, skipped: int, gathering: Gathering, limits: Limits
) -> tuple[tuple[str, ...], pl.DataFrame, pl.Series, int]:
    """Cut the text into a header and rows."""
    frame, cut = _strict(path, data, delimiter, skipped, limits) or _loose(
        path, data, delimiter, skipped, gathering, limits
    )
    head = [v or "" for v in frame.row(0)[: int(cut.cells[0])]]
    first = int(cut.lines[0]) + skipped
    lines, counts = cut.lines[1:] + skipped, cut.cells[1:]
    written = head + [""] * (frame.width - len(head))
    names = list(unique_header(head))
    names += [f"beyond@{at}" for at in range(len(head) + 1, frame.width + 1)]
    body = frame.slice(1)
    body.columns = names
    judge_header(gathering, first, head, body)
    _tell_ragged(body, len(head), lines, counts, data.endswith(b"\n"), gathering)
    _tell_ends(data, cut, skipped, gathering)
    body = _null_where_line_ended(body, counts)
    return tuple(written), body, pl.Series("row", lines, dtype=pl.Int64), first


def _strict(path: Path, data: bytes, delimiter: str, skipped: int, limits: Limits) -> tuple[pl.DataFrame, _Cut] | None:
    """Cut text that keeps the simple rules of quoting (RFC 4180); None if it does not."""
    cut = _cut(data, delimiter)
    if cut is None:
        return None
    widest = int(cut.cells.argmax())
    check_shape(path, len(cut.starts), int(cut.cells[widest]), limits, int(cut.lines[widest]) + skipped)
    frame = _frame(data, delimiter, cut)
    return None if frame is None else (frame, cut)


def _cut(data: bytes, delimiter: str) -> _Cut | None:
    """Find the rows; None if quotes stand where the simple rules of quoting do not allow them."""
    if len(delimiter.encode()) != 1:
        return None
    text = np.frombuffer(data, dtype=np.uint8)
    feeds = np.flatnonzero(text == 10)
    marks = np.flatnonzero(text == ord(delimiter))
    all_feeds = feeds
    if b'"' in data:
        quotes = np.flatnonzero(text == 34)
        if not _quotes_are_clean(text, quotes, ord(delimiter)):
            return None
        feeds = feeds[np.searchsorted(quotes, feeds) % 2 == 0]
        marks = marks[np.searchsorted(quotes, marks) % 2 == 0]
    ends = feeds if data.endswith(b"\n") and len(feeds) and feeds[-1] == len(data) - 1 else np.append(feeds, len(data))
    starts = np.concatenate(([0], ends[:-1] + 1))
    filled = ends > starts
    starts, ends = starts[filled], ends[filled]
    cells = np.searchsorted(marks, ends) - np.searchsorted(marks, starts) + 1
    lines = np.searchsorted(all_feeds, starts) + 1
    return _Cut(starts, ends, lines, cells, len(all_feeds) + (not data.endswith(b"\n")))


def _quotes_are_clean(text: NDArray[np.uint8], quotes: Numbers, delimiter: int) -> bool:
    """Tell whether every quote opens or closes a whole cell, or is doubled inside one."""
    if len(quotes) % 2:
        return False
    opens, closes = quotes[0::2], quotes[1::2]
    before = np.where(opens > 0, text[np.maximum(opens - 1, 0)], 10)
    last = len(text) - 1
    after = np.where(closes < last, text[np.minimum(closes + 1, last)], 10)
    reopened = np.zeros(len(opens), dtype=bool)
    reopened[1:] = opens[1:] == closes[:-1] + 1
    ends_well = (after == delimiter) | (after == 10) | np.append(reopened[1:], False)
    return bool((((before == delimiter) | (before == 10) | reopened) & ends_well).all())


def _frame(data: bytes, delimiter: str, cut: _Cut) -> pl.DataFrame | None:
    """Let polars read the cells, after every row was given the same number of them; None if it sees other rows."""
    width = int(cut.cells.max())
    short = cut.cells < width
    lengths = cut.ends - cut.starts
    whole = len(data) - int(data.endswith(b"\n"))
    if short.any() or int(lengths.sum()) + len(lengths) - 1 != whole:
        text = np.frombuffer(data, dtype=np.uint8)
        text = text[_covered(cut, len(data))]
        if short.any():
            at = np.cumsum(lengths + 1) - 1
            text = np.insert(text, np.repeat(at[short], (width - cut.cells)[short]), ord(delimiter))
        data = text.tobytes()
    frame = pl.read_csv(
        data,
        has_header=False,
        infer_schema=False,
        separator=delimiter,
        quote_char='"' if b'"' in data else None,
    )
    if frame.height != len(cut.starts) or frame.width != width:
        return None
    return frame.with_columns(pl.all().fill_null(""))


def _covered(cut: _Cut, length: int) -> NDArray[np.bool_]:
    """Mark the bytes of rows with their line ends; blank lines are not covered."""
    step = np.zeros(length + 2, dtype=np.int8)
    step[cut.starts] += 1
    step[cut.ends + 1] -= 1
    covered: NDArray[np.bool_] = np.cumsum(step, dtype=np.int8)[:length] > 0
    return covered


def _loose(
    path: Path, data: bytes, delimiter: str, skipped: int, gathering: Gathering, limits: Limits
) -> tuple[pl.DataFrame, _Cut]:
    """Cut text with stray quotes: a quote opens a cell only if its closing quote ends that cell."""
    text = data.decode("utf-8")
    d = re.escape(delimiter)
    cell = re.compile(rf'(?:"([^"]*(?:""[^"]*)*)"|([^{d}\n]*))({d}|\n|\Z)')
    frames: list[pl.DataFrame] = []
    rows: list[list[str]] = []
    lines: list[int] = []
    counts: list[int] = []
    row: list[str] = []
    line, first = 1, 1
    for m in cell.finditer(text):
        quoted, plain, end = m.groups()
        if m.start() == len(text) and not row and text.endswith("\n"):
            break
        if quoted is None:
            row.append(plain)
            if '"' in plain:
                _tell_stray(plain, line + skipped, gathering)
        else:
            row.append(quoted.replace('""', '"'))
            line += quoted.count("\n")
        if end == delimiter:
            continue
        line += 1
        if row != [""]:
            rows.append(row)
            lines.append(first)
            counts.append(len(row))
            check_shape(path, len(lines), len(row), limits, first + skipped)
        if len(rows) == _ROWS_AT_ONCE:
            frames.append(_rectangle(rows))
            rows = []
        row, first = [], line
        if not end:
            break
    frames += [_rectangle(rows)] if rows else []
    check_shape(path, len(lines), max(f.width for f in frames), limits)
    frame = pl.concat(frames, how="diagonal").with_columns(pl.all().fill_null(""))
    none = np.empty(0, dtype=np.int64)
    return frame, _Cut(none, none, np.array(lines, np.int64), np.array(counts, np.int64), line - 1)


def _rectangle(rows: list[list[str]]) -> pl.DataFrame:
    """Make a frame of rows of different lengths; short ones are filled up with empty cells."""
    width = max(map(len, rows))
    columns = {f"column_{at + 1}": [r[at] if at < len(r) else "" for r in rows] for at in range(width)}
    return pl.DataFrame(columns, schema=dict.fromkeys(columns, pl.String()))


def _tell_stray(plain: str, row: int, gathering: Gathering) -> None:
    opened = plain.startswith('"')
    gathering.add(
        "quote_not_closed" if opened else "quote_in_cell",
        "error" if opened else "note",
        row,
        f"The cell {plain[:40]!r} {'begins with a quote that is not closed' if opened else 'holds a bare quote'}; "
        "it is read as it stands.",
        "quotes around whole cells, and doubled inside them.",
        "Look at this row in the original; the cells behind it may be cut wrongly."
        if opened
        else "Nothing, if the quote is meant, as for inches.",
        values=(plain[:200],),
    )


def _null_where_line_ended(body: pl.DataFrame, counts: Numbers) -> pl.DataFrame:
    if not len(counts) or int(counts.min()) >= body.width:
        return body
    ended = pl.Series("cells", counts)
    names = body.columns
    return body.with_columns(
        pl.when(ended > at).then(pl.col(names[at])).otherwise(None).alias(names[at])
        for at in range(int(counts.min()), body.width)
    )


def _tell_ragged(
    body: pl.DataFrame, width: int, lines: Numbers, counts: Numbers, ended: bool, gathering: Gathering
) -> None:
    """Say which rows have fewer or more cells than the header."""
    if len(counts) and (counts == width + 1).all() and body[:, width].str.strip_chars().ne("").any():
        gathering.add(
            "header_short",
            "error",
            None,
            f"Every row has one cell more than the header, which has {width}.",
            "a name for each column.",
            "The first column may be row numbers without a name: add a name at the start of the header line.",
        )
        return
    cut_off = len(counts) > 0 and not ended and int(counts[-1]) < width
    odd = np.flatnonzero(counts != width)
    listed = odd[: gathering.most + 1].tolist()
    for at in listed:
        row, cells = int(lines[at]), int(counts[at])
        if cut_off and at == len(counts) - 1:
            _tell_cut_off(row, cells, width, gathering)
        elif cells < width:
            gathering.add(
                "row_short",
                "warning",
                row,
                f"The row has {cells} cells; the last {width - cells} are missing.",
                f"{width} cells, as in the header.",
                "Look whether the row was cut, or a delimiter is missing in its middle.",
                values=(str(cells),),
            )
        else:
            _tell_long(body.row(at)[width:cells], row, cells, width, gathering)
    rest = counts[odd[len(listed) :]]
    gathering.count("row_short", "warning", int((rest < width).sum()))
    gathering.count("row_long", "error", int((rest > width).sum()))


def _tell_cut_off(row: int, cells: int, width: int, gathering: Gathering) -> None:
    gathering.add(
        "file_cut_off",
        "error",
        row,
        f"The file ends within this row, after {cells} of {width} cells.",
        "a whole last row.",
        "The file may have been cut off in copying: compare its size with the original.",
    )


def _tell_long(extra: tuple[str | None, ...], row: int, cells: int, width: int, gathering: Gathering) -> None:
    kept = [v for v in extra if v and v.strip()]
    gathering.add(
        "row_long" if kept else "row_long_blank",
        "error" if kept else "note",
        row,
        f"The row has {cells} cells, {cells - width} more than the header"
        + (f"; beyond it stands {', '.join(kept)[:80]!r}." if kept else ", all of them empty."),
        f"{width} cells, as in the header.",
        "Put cells that hold the delimiter in quotes; the cells behind it may be shifted."
        if kept
        else "Nothing; trailing delimiters carry no value.",
        values=tuple(kept[:10]),
    )


def _tell_ends(data: bytes, cut: _Cut, skipped: int, gathering: Gathering) -> None:
    if not data.endswith(b"\n"):
        gathering.add(
            "no_last_line_end",
            "note",
            cut.last_line + skipped,
            "The last line has no line end.",
            "a line end after the last row, or a row known to be whole.",
            "Look whether the last value is whole.",
        )
    heights = np.diff(np.append(cut.lines, cut.last_line + 1))
    for at in np.flatnonzero(heights > _LONG_CELL_LINES).tolist():
        if len(cut.starts) and b'"' not in data[int(cut.starts[at]) : int(cut.ends[at])]:
            continue
        gathering.add(
            "long_cell",
            "warning",
            int(cut.lines[at]) + skipped,
            f"A cell in quotes runs over {int(heights[at])} lines.",
            "cells of a few lines.",
            "Look whether a quote is missing: whole rows may have been swallowed by this cell.",
        )


def _without_blank(rows: pl.DataFrame, numbers: pl.Series, gathering: Gathering) -> tuple[pl.DataFrame, pl.Series]:
    """Leave out rows that hold delimiters and nothing else."""
    blank = blank_rows(rows)
    if not blank.any():
        return rows, numbers
    first = int(numbers.filter(blank)[0])
    gathering.add(
        "blank_rows",
        "note",
        first,
        f"{int(blank.sum()):,} rows hold no value at all, the first being row {first}; they are left out.",
        "rows with values.",
        "Nothing, if they only separate blocks.",
    )
    return rows.filter(~blank), numbers.filter(~blank)
