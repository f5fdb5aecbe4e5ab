"""How commands show things: text that fits a screen, tables, progress."""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    import polars as pl

    from domatia.model import Finding

SCREEN = 22
"""Rows that are shown without being asked for more."""

Tick = Callable[[str, int, int], None]


def say(text: str = "") -> None:
    """Write a line."""
    click.echo(text)


def aside(text: str) -> None:
    """Write a line beside the result, to the error stream."""
    click.echo(text, err=True)


def wrapped(text: str, indent: str = "") -> str:
    """Fold a text to the width of the terminal."""
    import shutil
    import textwrap

    width = min(shutil.get_terminal_size((96, 24)).columns, 100)
    return textwrap.fill(text, width, initial_indent=indent, subsequent_indent=" " * len(indent))


def show_table(frame: "pl.DataFrame", most: int = SCREEN) -> None:
    """Write a table, and how many rows are not shown."""
    rows = [[_cell(v) for v in row] for row in frame.head(most).iter_rows()]
    header = [c.replace("_", " ") for c in frame.columns]
    widths = [max(len(r[i]) for r in [header, *rows]) for i in range(len(header))]
    right = [t.is_numeric() for t in frame.dtypes]
    for r in [header, ["-" * w for w in widths], *rows]:
        cells = [c.rjust(w) if n else c.ljust(w) for c, w, n in zip(r, widths, right, strict=True)]
        say("  " + "  ".join(cells).rstrip())
    if frame.height > most:
        say(f"  … and {frame.height - most:,} more; --all shows them.")


def _cell(value: object) -> str:
    if value is None:
        return "–"
    if isinstance(value, float):
        return f"{value:.4g}" if abs(value) < 1e5 else f"{value:,.0f}"
    return value.hex()[:12] if isinstance(value, bytes) else str(value)


def show_findings(findings: "Sequence[Finding]", every: bool) -> None:
    """Write findings by check: all of them, or the first of each check."""
    by_code: dict[str, list[Finding]] = {}
    for f in findings:
        by_code.setdefault(f.code, []).append(f)
    if every:
        for f in findings:
            say(wrapped(f"{f.severity}: {f.code} {f.key}: {f}", "  "))
        return
    for code, found in list(by_code.items())[: SCREEN // 2]:
        say(f"{found[0].severity:<8} {code} ({len(found):,})")
        say(wrapped(f"{found[0].key}: {found[0]}", "    for example "))
    rest = len(by_code) - SCREEN // 2
    if rest > 0:
        say(f"… and {rest} more checks with findings.")


@contextmanager
def progress(quiet: bool) -> Iterator[Tick]:
    """Give a tick that shows what is being done, on a terminal only."""
    if quiet or not sys.stderr.isatty():
        yield lambda what, done, total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None)

        def tick(what: str, done: int, total: int) -> None:
            bar.update(task, description=what, completed=done, total=total or None)

        yield tick
