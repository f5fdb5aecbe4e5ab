"""Bringing tables into a study, all or nothing a file, or showing what would come in."""

from dataclasses import asdict, dataclass, replace
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

from domatia.intake import Brought, bring_in
from domatia.intake.mapping import TableMapping
from domatia.intake.mapping_parse import parse_mapping
from domatia.intake.read_table import read_table, sheets
from domatia.intake.text_table import TextTable
from domatia.model import CannotOpen, Finding, Receipt, WrongUse
from domatia.store import OpenStudy
from domatia.tasks.as_json import finding_as_dict
from domatia.tasks.opening import Tick, reading, silent, writing


@dataclass(frozen=True)
class Imported:
    """What came in, or would come in.

    Attributes
    ----------
    brought : tuple of (str, Brought)
        By file.
    receipts : tuple of (str, Receipt)
        By file; empty after a dry run.
    findings : tuple of Finding
    """

    brought: tuple[tuple[str, Brought], ...]
    receipts: tuple[tuple[str, Receipt], ...]
    findings: tuple[Finding, ...]

    def text(self) -> str:
        """Write it for a person, within a screen for one file."""
        lines = []
        receipts = dict(self.receipts)
        for name, brought in self.brought:
            lines += [] if name == brought.summary.file else [f"{name}:"]
            lines.append(brought.summary.text())
            if name in receipts:
                lines.append(_receipt_text(receipts[name]))
        return "\n".join(lines)

    def as_dict(self) -> dict[str, Any]:
        """Give it as plain data."""
        return {
            "files": [{"file": name, **asdict(brought.summary)} for name, brought in self.brought],
            "receipts": [
                {
                    "file": name,
                    "added": dict(r.added),
                    "revised": dict(r.revised),
                    "unchanged": dict(r.unchanged),
                    "gone": len(r.gone),
                    "two_heads": len(r.two_heads),
                }
                for name, r in self.receipts
            ],
            "findings": [finding_as_dict(f) for f in self.findings],
        }


MANY_GONE = 10
"""So many records gone from a file, with half as many new ones or more, look like another key."""


def _receipt_text(receipt: Receipt) -> str:
    def told(counts: dict[str, int]) -> str:
        return ", ".join(f"{n:,} {kind}" for kind, n in sorted(counts.items()) if n) or "nothing"

    lines = [
        f"  new: {told(dict(receipt.added))}",
        f"  changed: {told(dict(receipt.revised))}",
        f"  as before: {told(dict(receipt.unchanged))}",
    ]
    if receipt.gone:
        lines.append(f"  {len(receipt.gone):,} records that this file once held are no longer in it; they stay.")
        if 2 * sum(receipt.added.values()) >= len(receipt.gone) >= MANY_GONE:
            lines.append(
                "  Many came in as new. If the mapping's key was changed since, every plant now stands here twice: "
                "begin again with `domatia new` and import with the mended key."
            )
    if receipt.two_heads:
        lines.append(f"  {len(receipt.two_heads):,} records were changed in the file and by hand; see domatia check.")
    return "\n".join(lines)


def read_mapping(path: str | Path) -> tuple[TableMapping, str]:
    """Read a mapping file.

    Raises
    ------
    CannotOpen
        If there is no such file.
    WrongUse
        If it is no mapping; everything wrong with it is told at once.
    """
    where = Path(path)
    if not where.is_file():
        raise CannotOpen(f"There is no mapping file {where}", next_step="Make one with domatia propose TABLE.")
    try:
        text = where.read_text(encoding="utf-8")
    except UnicodeDecodeError as e:
        raise CannotOpen(f"The mapping {where.name} is not UTF-8 text", next_step="Save it as UTF-8.") from e
    return parse_mapping(text, where.name), text


def files_of(mapping: TableMapping, mapping_path: Path, tables: tuple[str, ...]) -> tuple[Path, ...]:
    """Give the files to read: those named, or those that fit the mapping's pattern beside it."""
    if tables:
        return tuple(Path(t) for t in tables)
    pattern = mapping.table.file
    found = tuple(
        sorted(p for p in mapping_path.parent.iterdir() if p.is_file() and pattern and fnmatch(p.name, pattern))
    )
    if not found:
        raise CannotOpen(
            f"Beside {mapping_path.name} no file fits {pattern!r}",
            next_step="Name the tables on the command line, or mend `file` in the mapping.",
        )
    return found


def tables_of(path: Path, mapping: TableMapping) -> tuple[TextTable, ...]:
    """Read a file: one table, or the sheets that the mapping wants."""
    form = mapping.table
    every = sheets(path)
    wanted = [s for s in every if s and (not form.sheet or fnmatch(s, form.sheet))]
    if any(every) and not wanted:
        raise WrongUse(f"{path.name} has no sheet {form.sheet!r}", every, name=form.sheet)
    return tuple(
        read_table(path, sheet=s, encoding=form.encoding, delimiter=form.delimiter, skip_rows=form.skip_rows)
        for s in (wanted or [""])
    )


def import_tables(
    where: str,
    mapping_path: str,
    tables: tuple[str, ...] = (),
    *,
    dry_run: bool = False,
    author: str = "",
    tick: Tick = silent,
) -> Imported:
    """Bring tables into a study.

    Parameters
    ----------
    where : str
        The study.
    mapping_path : str
        The mapping file.
    tables : tuple of str
        Files; those that fit the mapping's pattern beside it if empty.
    dry_run : bool
        Only show what would come in.
    author : str
    tick : callable

    Raises
    ------
    WrongUse
        If the mapping or a file cannot be used; nothing of that file is written.
    """
    mapping, text = read_mapping(mapping_path)
    files = files_of(mapping, Path(mapping_path), tables)
    brought, receipts = [], []
    for i, path in enumerate(files):
        tick(f"reading {path.name}", i, len(files))
        # read with the study open for reading: a refused file leaves the study's bytes as they were
        with reading(where) as study:
            one = _bring(study, path, mapping)
        brought.append((path.name, one))
        if not dry_run:
            tick(f"writing {path.name}", i, len(files))
            with writing(where) as study:
                receipts.append((path.name, study.append(replace(one.batch, mapping=text, author=author))))
    findings = tuple(f for _, one in brought for f in one.findings)
    tick("done", len(files), len(files))
    return Imported(tuple(brought), tuple(receipts), findings)


def _bring(study: OpenStudy, path: Path, mapping: TableMapping) -> Brought:
    tables = tables_of(path, mapping)
    return bring_in(tables, mapping, study.study_id, study.profile, study.read())
