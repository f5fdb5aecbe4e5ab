import csv
import io
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from domatia.intake.double_entry import compare_entries
from domatia.intake.mapping_parse import parse_mapping
from domatia.intake.propose import propose
from domatia.intake.read_table import read_table
from domatia.intake.write_table import write_table
from domatia.model import CannotOpen

CELL = st.text(
    st.one_of(
        st.sampled_from(list(",;\t|\"'\n 0123456789.-NA")),
        st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")),
    ),
    max_size=8,
)
VALUE = CELL.map(lambda t: t + "x")
quick = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@st.composite
def tables(draw: st.DrawFn) -> pl.DataFrame:
    """Draw a small table of text without rows or columns that hold nothing."""
    width = draw(st.integers(1, 5))
    names = [f"c{i}" for i in range(width)]
    rows = draw(st.lists(st.tuples(VALUE, *[CELL] * (width - 1)), min_size=1, max_size=12))
    return pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String()), orient="row")


@quick
@given(rows=tables(), delimiter=st.sampled_from(",;\t|"))
def test_what_is_written_is_what_is_read(tmp_path: Path, rows: pl.DataFrame, delimiter: str) -> None:
    """Any cells, quotes, delimiters and line breaks within them, survive writing and reading."""
    write_table(tmp_path / "t.csv", rows, delimiter=delimiter)
    t = read_table(tmp_path / "t.csv", delimiter=delimiter)
    assert t.rows.rows() == rows.rows()
    assert not [f for f in t.findings if f.severity == "error"]


@quick
@given(rows=tables())
def test_row_numbers_are_those_of_the_standard_reader(tmp_path: Path, rows: pl.DataFrame) -> None:
    """The line on which each row begins is the one that Python's csv module counts."""
    write_table(tmp_path / "t.csv", rows)
    text = (tmp_path / "t.csv").read_text(encoding="utf-8")
    reader = csv.reader(io.StringIO(text, newline=""))
    starts, before = [], 0
    for row in reader:
        starts += [before + 1] if row else []
        before = reader.line_num
    assert read_table(tmp_path / "t.csv", delimiter=",").row_numbers.to_list() == starts[1:]


@quick
@given(rows=tables())
def test_a_workbook_gives_back_its_text(tmp_path: Path, rows: pl.DataFrame) -> None:
    """Cells written as text into a workbook are read as the same text at the same rows."""
    plain = rows.with_columns(pl.all().str.replace_all("\n", " "))
    write_table(tmp_path / "t.xlsx", plain)
    t = read_table(tmp_path / "t.xlsx")
    assert [tuple(r[: len(t.header)]) for r in plain.select(t.header).rows()] == t.rows.rows()
    assert t.row_numbers.to_list() == list(range(2, rows.height + 2))


@quick
@given(content=st.binary(max_size=300))
def test_any_bytes_are_read_or_refused_by_name(tmp_path: Path, content: bytes) -> None:
    """Whatever the file holds, there is a table, or a message that names the file and the next step."""
    (tmp_path / "any.csv").write_bytes(content)
    told = ""
    rows = numbers = 0
    try:
        t = read_table(tmp_path / "any.csv")
        rows, numbers = t.rows.height, t.row_numbers.len()
    except CannotOpen as e:
        told = f"{e} {e.next_step}"
    assert rows == numbers
    assert not told or ("any.csv" in told and told.endswith("."))


@quick
@given(
    cells=st.lists(st.lists(CELL.map(lambda t: t.replace("\n", " ")), min_size=1, max_size=6), min_size=1, max_size=8)
)
def test_ragged_and_badly_quoted_text_keeps_every_line(tmp_path: Path, cells: list[list[str]]) -> None:
    """Lines with stray quotes are neither lost nor merged without a finding."""
    text = "h0,h1\n" + "".join(",".join(row) + "\n" for row in cells)
    (tmp_path / "r.csv").write_text(text, encoding="utf-8", newline="")
    t = read_table(tmp_path / "r.csv", delimiter=",", encoding="utf-8")
    filled = sum(1 for row in cells if ",".join(row).replace(",", "").strip())
    quoted = any('"' in c for row in cells for c in row)
    assert t.rows.height == filled or quoted
    assert t.rows.height <= len(cells)


HEADERS = ["plot", "site", "plant", "tag", "date", "year", "ht_1999", "ht_2000", "HT", "ht_t", "ht_t1", "status", "ant"]
HEADERS += ["treatment", "old_tag", "x", "species", "leaf", "missing_pct", "area_cm2", "month", "note", "surv"]
HEADERS += ["searched", "observers"]
TYPED = ["", "NA", "1", "2,5", "2.5", "alive", "dead", "2001", "2001-02-03", "13/02/2001", "x", "TRUE", '"', "none"]
TYPED += ["2001-02-03 14:30", "3/4/2001 9:15"]


@quick
@given(
    header=st.lists(st.one_of(st.sampled_from(HEADERS), CELL), min_size=1, max_size=8),
    cells=st.lists(st.sampled_from(TYPED), min_size=8, max_size=40),
)
def test_every_proposal_reads_back(tmp_path: Path, header: list[str], cells: list[str]) -> None:
    """Whatever the table, the proposed mapping is a mapping, and its text gives the same one."""
    width = len(header)
    rows = [cells[i : i + width] for i in range(0, len(cells) - width + 1, width)] or [["1"] * width]
    with (tmp_path / "p.csv").open("w", encoding="utf-8", newline="") as f:
        csv.writer(f).writerows([header, *rows])
    try:
        t = read_table(tmp_path / "p.csv", delimiter=",")
    except CannotOpen:
        return
    p = propose(t)
    assert parse_mapping(p.text) == p.mapping


@quick
@given(rows=tables(), seed=st.randoms(use_true_random=False))
def test_an_entry_agrees_with_itself_shuffled(tmp_path: Path, rows: pl.DataFrame, seed: object) -> None:
    """The order of rows never makes a difference between two entries."""
    keyed = rows.with_row_index("line").with_columns(pl.col("line").cast(pl.String))
    write_table(tmp_path / "a.csv", keyed)
    write_table(tmp_path / "b.csv", keyed.sample(fraction=1, shuffle=True, seed=hash(str(seed)) % 1000))
    a, b = (read_table(tmp_path / n, delimiter=",") for n in ("a.csv", "b.csv"))
    assert compare_entries(a, b, ("line",)).agree


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_line_separators_of_unicode_end_no_row(tmp_path: Path, encoding: str) -> None:
    """Only line feeds and carriage returns end a row; other separators of Unicode are part of a cell."""
    (tmp_path / "u.csv").write_bytes("a,b\nx\u2028y,1\nz\x85w,2\n".encode(encoding))
    assert read_table(tmp_path / "u.csv").rows["a"].to_list() == ["x\u2028y", "z\x85w"]
