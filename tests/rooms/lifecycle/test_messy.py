"""The crew's messy tables."""

import re
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from domatia.intake.brought import Brought, bring_in
from domatia.intake.mapping_parse import parse_mapping
from domatia.intake.read_table import read_table
from domatia.intake.write_table import write_table
from domatia.lifecycle.crew_table import CrewTable
from domatia.lifecycle.messy import messy_tables
from domatia.lifecycle.messy_slips import DEAD_AND_BACK, LINES_TWICE, TIMES_TEN
from domatia.lifecycle.messy_words import ANT_SLIPS, hands
from domatia.lifecycle.observe import observe
from domatia.lifecycle.spec import DEFAULT, Crew
from domatia.lifecycle.study_lists import PROFILE_TEXT
from domatia.model import StudyData, read_profile
from domatia.model.identity import named_id

SPEC = replace(DEFAULT.sized(8, 30), crew=Crew(block_skipped=0.06, tag_lost=0.01))
STUDY = named_id(b"", "study", "messy")


@pytest.fixture(scope="module")
def tables() -> tuple[CrewTable, ...]:
    """Give the tables of one small study."""
    return messy_tables(SPEC, 4)


def _bring(table: CrewTable, folder: Path, known: StudyData) -> Brought:
    path = folder / table.file
    write_table(path, table.rows, delimiter=table.delimiter if path.suffix == ".csv" else "")
    mapping = parse_mapping(table.mapping, table.mapping_file)
    sheet = "Sheet1" if path.suffix == ".xlsx" else ""
    read = read_table(path, sheet=sheet, delimiter=mapping.table.delimiter)
    return bring_in((read,), mapping, known.study_id, known.profile, known)


def _with(known: StudyData, brought: Brought) -> StudyData:
    """Add what a file brought, as the store would."""
    whole = dict(known.tables)
    old = {o for _, o in brought.batch.replaces}
    for kind, table in brought.batch.tables.items():
        before = known.table(kind).filter(~pl.col("record_id").is_in(list(old)))
        after = pl.concat([before, table.drop("origin_hash")]).unique("record_id", keep="first", maintain_order=True)
        whole[kind] = after.sort("subject_id")
    return replace(known, tables=whole)


@pytest.fixture(scope="module")
def brought(
    tables: tuple[CrewTable, ...], tmp_path_factory: pytest.TempPathFactory
) -> tuple[StudyData, dict[str, Brought]]:
    """Import all tables in their order."""
    folder = tmp_path_factory.mktemp("crew")
    known, found = StudyData(STUDY, "messy", read_profile(PROFILE_TEXT), {}), {}
    for table in tables:
        found[table.file] = _bring(table, folder, known)
        known = _with(known, found[table.file])
    return known, found


def test_tables_repeat_exactly(tables: tuple[CrewTable, ...]) -> None:
    """The same seed gives the same cells and mappings, another seed others."""
    again, other = messy_tables(SPEC, 4), messy_tables(SPEC, 5)
    for a, b in zip(tables, again, strict=True):
        assert (a.file, a.mapping, a.delimiter) == (b.file, b.mapping, b.delimiter)
        assert a.rows.equals(b.rows)
    assert not all(a.rows.equals(b.rows) for a, b in zip(tables, other, strict=True))


def test_every_cell_is_text_and_every_hand_is_its_own(tables: tuple[CrewTable, ...]) -> None:
    """All columns are text; the three censuses share no set of headers; one writes decimal commas, one day first."""
    assert all(set(t.rows.schema.values()) == {pl.String()} for t in tables)
    census = [t for t in tables if t.file in {h.file for h in hands(SPEC)}]
    assert len({tuple(t.rows.columns) for t in census}) == 3
    assert census[0].rows["date"].str.contains(r"^\d\d/\d\d/\d{4}$").all()
    assert census[1].rows["Ht (m)"].str.contains(r"^\d+,\d\d$|^$").all()
    assert census[2].file.endswith(".xlsx")


def test_a_blank_means_three_things(tables: tuple[CrewTable, ...]) -> None:
    """In the first census the ant's cell is blank where none was seen, where nobody looked and where no plant was."""
    first = next(t for t in tables if t.file == hands(SPEC)[0].file).rows
    blank = first.filter(pl.col("ant") == "")
    assert blank.filter((pl.col("looked") == "y") & (pl.col("stage") == "0")).height
    assert blank.filter(pl.col("looked") == "n").height
    assert blank.filter((pl.col("looked") == "") & (pl.col("state") == "nf")).height


def test_the_import_gives_what_the_crew_saw(brought: tuple[StudyData, dict[str, Brought]]) -> None:
    """Imported visits and occupancies are those of `observe`, but for the slips; so are second measures."""
    known, _ = brought
    direct = observe(SPEC, 4)
    walked = known.table("visit").filter(pl.col("status") != "not visited")
    there = direct.table("visit").filter(pl.col("status") != "not visited")
    assert walked.height == there.height + LINES_TWICE
    for name in ("alive", "no live tissue", "not found"):
        one, other = (t.filter(pl.col("status") == name).height for t in (walked, there))
        assert abs(one - other) <= DEAD_AND_BACK + LINES_TWICE
    looked = [d.table("occupancy")["looked"].value_counts().sort("looked")["count"].to_list() for d in (known, direct)]
    assert all(abs(a - b) <= DEAD_AND_BACK for a, b in zip(*looked, strict=True))
    heights = [t["height_cm"].drop_nulls().sort() for t in (walked, there)]
    assert abs(float(heights[0].median()) - float(heights[1].median())) < 0.5  # type: ignore[arg-type]
    repeats = walked.filter(pl.col("repeat_of").is_not_null())
    assert repeats.height == there["repeat_of"].len() - there["repeat_of"].null_count() > 0
    assert repeats["repeat_of"].is_in(walked["subject_id"].implode()).all()
    assert known.table("assignment").height == SPEC.n_plants
    assert known.table("intervention").height == direct.table("intervention").height + 1


def test_slips_are_found_and_nothing_else(brought: tuple[StudyData, dict[str, Brought]]) -> None:
    """The import tells of lines copied twice, unknown spellings and tags given twice; no cell is unreadable."""
    known, found = brought
    codes = {c for b in found.values() for c in b.summary.findings}
    assert "duplicate_key" in codes
    assert "name_new" in codes
    assert set(ANT_SLIPS.values()) & set(known.table("taxon")["name"])
    unread = re.compile("not_a_number|unknown_word|ambiguous|impossible|not_read|not_yes|out_of_limits|not_whole")
    assert not [c for c in codes if unread.match(c)]
    tall = known.table("visit").filter(pl.col("height_cm") > 400)
    assert 0 < tall.height <= TIMES_TEN


def test_blocks_where_nobody_went_are_no_deaths(brought: tuple[StudyData, dict[str, Brought]]) -> None:
    """Rows of rounds that were never walked come in as not visited, whether they said "-" or "not found"."""
    known, found = brought
    confirmed = sum(len(b.summary.rounds.confirmed) for b in found.values())
    rounds = known.table("visit").filter(pl.col("status") == "not visited").select("plant", "round").unique()
    assert confirmed > 0
    assert rounds.height > 20


def test_every_openness_has_its_method(brought: tuple[StudyData, dict[str, Brought]]) -> None:
    """The mapping says once for the whole census how openness was read; photographs have a table of their own."""
    known, _ = brought
    read = known.table("visit").filter(pl.col("openness_pct").is_not_null())
    assert read.height > 0
    assert set(read["openness_method"]) == {"densiometer", "photograph"}


def test_importing_twice_changes_nothing(
    tables: tuple[CrewTable, ...], brought: tuple[StudyData, dict[str, Brought]], tmp_path: Path
) -> None:
    """The same table gives the same record ids again."""
    known, found = brought
    table = next(t for t in tables if t.file == hands(SPEC)[1].file)
    again = _bring(table, tmp_path, known).batch.tables["visit"]
    assert again["record_id"].equals(found[table.file].batch.tables["visit"]["record_id"])
