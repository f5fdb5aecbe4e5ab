"""A workbook of 200,000 rows read in, with every bad cell named, against openpyxl.

usage: python -m bench.workbook [--rows 200000]

Ours is the whole way: guard, look for formulas and errors, cells as text, and the rules of a census (numbers, dates,
words, ranges) with a finding for each bad cell. The peer only reads the cells. Seconds are the processor's, so that
other jobs on the machine do not count.
"""

import argparse
import json
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import openpyxl
import polars as pl
import xlsxwriter

from domatia.intake.cell_text import Cell, cell_text
from domatia.intake.convert import convert
from domatia.intake.mapping import TableMapping
from domatia.intake.mapping_parse import parse_mapping
from domatia.intake.read_table import read_table
from domatia.intake.shapes import rows_of
from domatia.intake.text_table import TextTable
from domatia.model import Finding, fields_of

NEED_S = 4.0
HEADER = ("plot", "plant", "date", "status", "height_cm", "basal_mm", "shoots", "observer", "note")
PLANTED = {
    (1_003, "height_cm"): "12,5",
    (20_100, "height_cm"): "1O",
    (44_444, "shoots"): "3.5",
    (70_001, "date"): "2026-13-02",
    (99_999, "status"): "alife",
    (123_456, "height_cm"): "-4",
    (150_000, "basal_mm"): "#DIV/0!",
    (199_000, "shoots"): "=SUM(1,2)",
}
"""Row of the sheet and column of the cells that are wrong, and what they hold."""
MAPPING = """
[table]
file = "*"
row = "visit"
[place]
name = "plot"
[plant]
key = ["plant"]
[visit]
when = "date"
status = "status"
height_cm = "height_cm"
basal_mm = "basal_mm"
shoots = "shoots"
observer = "observer"
note = "note"
"""


def write(path: Path, rows: int, seed: int = 1) -> dict[tuple[int, str], str]:
    """Write the census and give the bad cells that it holds."""
    rng = np.random.default_rng(seed)
    heights, basal = rng.uniform(5, 300, rows).round(1), rng.integers(3, 90, rows)
    shoots, days = rng.integers(1, 9, rows), rng.integers(0, 700, rows)
    planted = {place: text for place, text in PLANTED.items() if place[0] <= rows}
    with xlsxwriter.Workbook(str(path), {"constant_memory": True}) as book:
        sheet = book.add_worksheet("census")
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        sheet.write_row(0, 0, HEADER)
        for i in range(rows):
            cells: tuple[object, ...] = (
                f"P-{i % 24}", i // 4, datetime(2024, 1, 1) + timedelta(days=int(days[i])), "alive", float(heights[i]),
                int(basal[i]), int(shoots[i]), "AB", f"remark {i}" if i % 7 == 0 else "",
            )  # fmt: skip
            for at, value in enumerate(cells):
                bad = planted.get((i + 2, HEADER[at]))
                if bad is not None and bad.startswith("#"):
                    sheet.write_formula(i + 1, at, "=1/0", None, bad)
                elif bad is not None and bad.startswith("="):
                    sheet.write_formula(i + 1, at, bad, None, 3)
                elif bad is not None:
                    sheet.write_string(i + 1, at, bad)
                elif isinstance(value, datetime):
                    sheet.write_datetime(i + 1, at, value, day)
                else:
                    sheet.write(i + 1, at, value)
    return planted


def ours(path: Path) -> tuple[TextTable, list[Finding]]:
    """Read the workbook and judge every cell that the mapping names."""
    table = read_table(path)
    mapping: TableMapping = parse_mapping(MAPPING)
    rows = rows_of([table], mapping)
    findings = list(table.findings)
    known = {f.column: f for f in fields_of("visit")}
    for name, source in mapping.parts["visit"].fields.items():
        findings += convert(rows, known[name], source, mapping)[1]
    return table, findings


def peer(path: Path) -> list[tuple[object, ...]]:
    """Read the cells with openpyxl."""
    book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    rows = [tuple(row) for row in book["census"].iter_rows(values_only=True)]
    book.close()
    return rows


def agreement(table: TextTable, cells: list[tuple[object, ...]]) -> str:
    """Say in how many cells the two readers differ."""
    texts = [[_as_text(v) for v in row] for row in cells[1:]]
    theirs = pl.DataFrame(texts, schema=dict.fromkeys(table.header, pl.String()), orient="row")
    different = sum(int((theirs[c] != table.rows[c]).sum()) for c in table.header)
    return f"{different} of {theirs.height * theirs.width:,} cells differ"


def _as_text(value: object) -> str:
    if value is None:
        return ""
    return cell_text(value) if isinstance(value, Cell) else str(value)


def workbook(rows: int = 200_000, folder: Path | None = None) -> list[dict[str, object]]:
    """Give the row of the bench table: task, peer, seconds, ratio, need, agreement."""
    with tempfile.TemporaryDirectory() as temporary:
        path = (folder or Path(temporary)) / "census.xlsx"
        planted = write(path, rows)
        start = time.process_time()
        table, findings = ours(path)
        ours_s = time.process_time() - start
        start = time.process_time()
        cells = peer(path)
        peer_s = time.process_time() - start
    named = {(w.row, w.column) for f in findings for w in f.where[:1]}
    missed = sorted(set(planted) - named)
    found = f"all {len(planted)} bad cells named" if not missed else f"NOT NAMED: {missed}"
    others = len(named - set(planted))
    return [
        {
            "task": f"{rows:,}-row workbook in, with all rules",
            "peer": f"openpyxl {openpyxl.__version__}, reading only",
            "ours_s": round(ours_s, 2),
            "peer_s": round(peer_s, 2),
            "ratio": round(peer_s / ours_s, 1),
            "need": f"< {NEED_S:g} s",
            "agreement": f"{agreement(table, cells)}; {found}; {others} others",
        }
    ]


def main() -> None:
    """Print the row."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=200_000)
    print(json.dumps(workbook(parser.parse_args().rows), indent=1))


if __name__ == "__main__":
    main()
