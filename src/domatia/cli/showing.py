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
"""Lines of a table that are shown without being asked for more."""

LINES = 34
"""Lines that a command writes without being asked for more, but for a few around them."""

NARROWEST = 12
"""Letters to which a column of text is narrowed at most."""

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
    return textwrap.fill(
        text, width, initial_indent=indent, subsequent_indent=" " * len(indent), break_on_hyphens=False
    )


def quoted(text: object) -> str:
    """Write a file name as it is to be typed into a command."""
    import shlex

    return shlex.quote(str(text))


def counted(n: int, one: str, several: str = "") -> str:
    """Write a count with its noun, such as "1 finding" or "2 findings"."""
    return f"{n:,} {one if n == 1 else several or one + 's'}"


def show_table(frame: "pl.DataFrame", most: int = SCREEN, rest: str = "--all shows them") -> None:
    """Write a table in at most so many lines below its head, and how many rows are not shown."""
    rows = [[_cell(v) for v in row] for row in frame.head(most).iter_rows()]
    header = [c.replace("_", " ") for c in frame.columns]
    right = [t.is_numeric() or c == "estimate" for c, t in zip(frame.columns, frame.dtypes, strict=True)]
    widths = _fitting([max(len(r[i]) for r in [header, *rows]) for i in range(len(header))], right)
    left, shown = most, 0
    for place, r in enumerate([header, ["-" * w for w in widths], *rows]):
        folded = _folded(r, widths)
        if place > 1:
            left, shown = left - len(folded), shown + 1
            if left < 0 and shown > 1:
                shown -= 1
                break
        for cells in folded:
            line = [c.rjust(w) if n else c.ljust(w) for c, w, n in zip(cells, widths, right, strict=True)]
            say("  " + "  ".join(line).rstrip())
    if frame.height > shown:
        say(f"  … and {frame.height - shown:,} more; {rest}.")


def _screen_width() -> int:
    import shutil

    return min(shutil.get_terminal_size((100, 24)).columns, 120)


def _fitting(widths: list[int], right: list[bool]) -> list[int]:
    """Narrow the widest columns of text until the table fits the screen, but none below a word's length."""
    found = list(widths)
    while sum(found) + 2 * len(found) > _screen_width():
        texts = [i for i, n in enumerate(right) if not n and found[i] > NARROWEST]
        if not texts:
            break
        found[max(texts, key=lambda i: found[i])] -= 1
    return found


def _folded(cells: list[str], widths: list[int]) -> list[list[str]]:
    """Fold the cells of one row into as many lines as its longest cell needs."""
    import textwrap

    folded = [textwrap.wrap(c, w) or [""] for c, w in zip(cells, widths, strict=True)]
    return [[f[i] if i < len(f) else "" for f in folded] for i in range(max(map(len, folded), default=1))]


def _cell(value: object) -> str:
    if value is None:
        return "–"
    if isinstance(value, float):
        return f"{value:.4g}" if abs(value) < 1e5 else f"{value:,.0f}"
    return value.hex()[:12] if isinstance(value, bytes) else str(value)


def show_findings(findings: "Sequence[Finding]", every: bool, most: int = LINES) -> None:
    """Write findings by check: all of them, or a line for each check with examples of the first ones.

    Without `every`, at most `most` lines are written.
    """
    by_code: dict[str, list[Finding]] = {}
    for f in findings:
        by_code.setdefault(f.code, []).append(f)
    if every:
        for f in findings:
            say(wrapped(f"{f.severity}: {f.code} {f.key}: {f}", "  "))
        return
    listed = list(by_code.items())[: most - 1]
    left = most - len(listed) - 1
    for code, found in listed:
        say(f"{found[0].severity:<8} {code} ({len(found):,})")
        example = wrapped(f"{found[0].key}: {found[0]}", "    for example ")
        left -= example.count("\n") + 1
        if left >= 0:
            say(example)
    rest = len(by_code) - len(listed)
    if rest > 0:
        say(f"… and {counted(rest, 'more check')} with findings; --all shows every finding.")
    elif left < 0:
        say("--all shows every finding.")


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
