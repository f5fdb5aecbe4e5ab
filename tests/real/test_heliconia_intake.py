"""The Heliconia census comes in by its mapping files: every row, nothing guessed.

Source: Bruna et al. 2023, Ecology 104:e4174 (66,396 rows, 8,586 plants, 3,464 seedlings are printed in its README; the
other counts were made beforehand from the tables with other code: grade "printed in a publication" and "another
program's output").
"""

import resource
import time
from pathlib import Path

import polars as pl
import pytest
from tests.rooms.intake.small_tables import STUDY

from domatia.intake.brought import Brought, bring_in
from domatia.intake.mapping_parse import parse_mapping
from domatia.intake.read_table import read_table
from domatia.model import StudyData, shipped_profile

pytestmark = pytest.mark.real

HERE = Path(__file__).parent
PROFILE, _ = shipped_profile("any")


def bring(mapping_name: str, folder: Path, known: StudyData | None = None) -> Brought:
    """Bring in the file that a mapping names."""
    mapping = parse_mapping((HERE / f"{mapping_name}.toml").read_text(encoding="utf-8"), mapping_name)
    table = read_table(folder / mapping.table.file, encoding=mapping.table.encoding)
    return bring_in([table], mapping, STUDY, PROFILE, known)


def joined(*brought: Brought) -> StudyData:
    """Make a study of several files."""
    tables: dict[str, pl.DataFrame] = {}
    for one in brought:
        for kind, frame in one.batch.tables.items():
            plain = frame.drop("origin_hash")
            tables[kind] = pl.concat([tables[kind], plain]) if kind in tables else plain
    return StudyData(STUDY, "census", PROFILE, tables)


@pytest.fixture(scope="module")
def folder(real_data: Path) -> Path:
    """Give the folder of the census, or skip."""
    found = real_data / "heliconia_census"
    if not found.is_dir():
        pytest.skip("DOMATIA_REAL_DATA has no folder heliconia_census")
    return found


@pytest.fixture(scope="module")
def plots(folder: Path) -> Brought:
    """Bring in the list of plots."""
    return bring("heliconia_plots", folder)


@pytest.fixture(scope="module")
def survey(folder: Path, plots: Brought) -> Brought:
    """Bring in the tidy table."""
    return bring("heliconia_survey", folder, joined(plots))


@pytest.fixture(scope="module")
def changes(folder: Path, plots: Brought, survey: Brought) -> Brought:
    """Bring in the log of tag changes."""
    return bring("heliconia_tag_changes", folder, joined(plots, survey))


@pytest.fixture(scope="module")
def wide(folder: Path) -> Brought:
    """Bring in the wide raw table."""
    return bring("heliconia_wide", folder)


def test_plots_keep_habitat_ranch_and_number(plots: Brought) -> None:
    """13 plots in three habitats, with what fits no field as quantities and no finding."""
    assert plots.batch.tables["place"]["habitat"].value_counts().sort("habitat").rows() == [
        ("forest", 6),
        ("one", 4),
        ("ten", 3),
    ]
    assert plots.batch.tables["quantity"].height == 31
    assert plots.findings == ()


def test_every_row_of_the_tidy_table_is_a_visit(survey: Brought) -> None:
    """66,396 rows, 8,586 plants; statuses as counted; 2,596 of the missing lie in rounds that were not visited."""
    assert survey.summary.rows_in == 66_396
    assert survey.batch.tables["plant"].height == 8_586
    assert dict(survey.summary.statuses) == {
        "alive": 56_935,
        "not found": 4_889,
        "not visited": 2_596,
        "dead confirmed": 1_976,
    }
    origins = dict(survey.batch.tables["plant"]["origin"].value_counts().rows())
    assert origins == {"seedling": 3_464, "found as adult": 8_586 - 3_464}
    rows = survey.batch.tables["visit"]["origin_row"]
    assert (rows.n_unique(), rows.min(), rows.max()) == (66_396, 2, 66_397)


def test_rounds_not_visited_and_plot_years_without_rows_are_named(survey: Brought) -> None:
    """Seven plot-years without one plant measured, one with 2 of 235, and five without rows."""
    rounds = survey.summary.rounds
    told = {(r.place, r.name): (r.confirmed, r.said, r.listed) for r in rounds.confirmed}
    assert told.pop(("CF-6", "2000")) == ("partly", 2, 235)
    assert set(told) == {
        ("CF-4", "2000"), ("CF-5", "2000"), ("CF-6", "2003"), ("FF-5", "2008"), ("FF-5", "2009"), ("FF-6", "2008"),
        ("FF-6", "2009"),
    }  # fmt: skip
    assert {how for how, said, _ in told.values() if said == 0} == {"not"}
    assert [(r.place, r.name) for r in rounds.empty] == [
        ("FF-5", "2007"), ("FF-6", "2007"), ("FF-7", "2007"), ("FF-7", "2008"), ("FF-7", "2009"),
    ]  # fmt: skip
    assert survey.batch.tables["place_visit"].height == 8
    assert {f.code for f in survey.findings} == {"round_without_rows"}


def test_unconfirmed_the_same_rounds_are_proposed(folder: Path) -> None:
    """Without the confirmation nothing is changed, and the lines to write are given."""
    text = (HERE / "heliconia_survey.toml").read_text(encoding="utf-8")
    mapping = parse_mapping(text[: text.index("[not_visited]")])
    brought = bring_in([read_table(folder / "HDP_survey.csv")], mapping, STUDY, PROFILE)
    assert brought.summary.statuses["not found"] == 7_485
    assert len(brought.summary.rounds.proposed) == 8
    lines = "\n".join(p.splitlines()[-1] for p in brought.proposals)
    confirmed = parse_mapping(text[: text.index("[not_visited]")] + "[not_visited]\n" + lines)
    stated = parse_mapping(text)
    assert (confirmed.not_visited, confirmed.partly) == (stated.not_visited, stated.partly)


def test_measures_and_remarks_of_the_tidy_table_are_all_there(survey: Brought) -> None:
    """Heights, shoots, inflorescences, treefalls, adults without a tag: as many as cells in the table."""
    visits, quantities = survey.batch.tables["visit"], survey.batch.tables["quantity"]
    measured = visits.select("height_cm", "shoots", "flowers", "condition").count().row(0)
    assert measured == (66_396 - 9_512, 66_396 - 9_499, 66_396 - 64_078, 842)
    assert dict(quantities["name"].value_counts().rows()) == {"adult without tag": 1_562, "recorded as seedling": 3_464}


def test_every_tag_change_is_kept_attached_or_open(changes: Brought, capsys: pytest.CaptureFixture[str]) -> None:
    """206 changes; those that fit exactly one plant at their date are attached, the others are findings."""
    tags = changes.batch.tables["tag"]
    open_ = [f for f in changes.findings if f.code in ("tag_fits_none", "tag_fits_several")]
    with capsys.disabled():
        print(f"\ntag changes: {changes.summary.tags_attached} attached, {changes.summary.tags_open} open")  # noqa: T201
    assert tags.height == 206
    assert tags["plant"].count() == changes.summary.tags_attached
    assert changes.summary.tags_attached + changes.summary.tags_open == 206
    assert len(open_) == changes.summary.tags_open == tags["plant"].null_count()
    assert sorted({s for f in open_ for s in f.subjects}) == sorted(
        tags.filter(pl.col("plant").is_null())["subject_id"]
    )


def test_an_attached_tag_fits_one_plant_only(changes: Brought, survey: Brought) -> None:
    """Counted again without the tool's own code: one plant lists either number in that year."""
    tags = survey.batch.tables["tag"].select("place", "tag", plant="plant")
    seen = (
        survey.batch.tables["visit"].group_by("plant").agg(pl.col("when_earliest").min(), pl.col("when_latest").max())
    )
    bearers = tags.join(seen, on="plant")
    both = changes.batch.tables["tag"]
    year = pl.coalesce("borne_earliest", "borne_latest").dt.year()
    asked = both.select("subject_id", "place", given="plant", year=year, new="tag", former="former_tag")
    asked = asked.unpivot(["new", "former"], index=["subject_id", "place", "given", "year"], value_name="tag")
    fits = asked.join(bearers, on=["place", "tag"]).filter(
        (pl.col("when_earliest").dt.year() <= pl.col("year")) & (pl.col("when_latest").dt.year() >= pl.col("year"))
    )
    counted = fits.group_by("subject_id").agg(pl.col("plant").n_unique().alias("n"), pl.col("plant").first())
    one = both.join(counted.filter(pl.col("n") == 1), on="subject_id", how="semi")
    assert one["plant"].null_count() == 0
    assert one.height == changes.summary.tags_attached == 186


def test_the_wide_table_gives_heights_and_mapped_plants(wide: Brought) -> None:
    """51,124 heights; 4,491 plants whose last X and Y (those of 2009) are both numbers."""
    visits, plants = wide.batch.tables["visit"], wide.batch.tables["plant"]
    assert wide.summary.rows_in == plants.height == 7_673
    assert visits["height_cm"].count() == 51_124
    assert plants.filter(pl.col("x_m").is_not_null() & pl.col("y_m").is_not_null()).height == 4_491
    bad = [f for f in wide.findings if f.code == "not_a_number"]
    assert sorted(f.values[0] for f in bad) == ["2,00", "2,23", "2,53", "4,75", "4;03"]
    kept = wide.batch.tables["quantity"].filter(pl.col("name") == "x_m as written")
    assert sorted(kept["text"]) == ["2,00", "2,23", "2,53", "4,75", "4;03"]


def test_the_wide_table_keeps_plants_with_one_number_apart(wide: Brought) -> None:
    """43 pairs of rows bear one number in one plot: both are kept and told."""
    assert sum(f.code == "duplicate_key" for f in wide.findings) == 43
    assert wide.batch.tables["plant"]["subject_id"].n_unique() == 7_673


def test_the_tidy_table_comes_in_fast_and_small(folder: Path) -> None:
    """Under 15 s and under 1 GB for reading, judging and converting (the whole process)."""
    begun = time.perf_counter()
    bring("heliconia_survey", folder)
    assert time.perf_counter() - begun < 15
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 1_500_000


@pytest.mark.parametrize(
    ("mapping", "folder_name", "rows", "quantities", "plants"),
    [
        ("vines", "cecropia_vines_azteca", 152, 304, 0),
        ("recruitment", "cecropia_vines_azteca", 21, 42, 21),
        ("termite_trials", "vochysia_nectar_termite_trials", 320, 960, 40),
        ("herds", "r_reference", 56, 224, 0),
        ("ant_nests", "r_reference", 97, 194, 0),
    ],
)
def test_any_table_comes_in_as_quantities(
    real_data: Path, mapping: str, folder_name: str, rows: int, quantities: int, plants: int
) -> None:
    """Every cell of a table that fits no field is a quantity; rows of one plant share it."""
    if not (real_data / folder_name).is_dir():
        pytest.skip(f"DOMATIA_REAL_DATA has no folder {folder_name}")
    brought = bring(mapping, real_data / folder_name)
    found = brought.batch.tables["quantity"]
    assert (brought.summary.rows_in, found.height, found["row"].n_unique()) == (rows, quantities, rows)
    assert brought.summary.records.get("plant", 0) == plants
    assert brought.findings == ()


def test_vines_and_recruits_add_up(real_data: Path) -> None:
    """40 of 82 white and 7 of 70 red trees bear vines: counted from the quantities as anybody would."""
    if not (real_data / "cecropia_vines_azteca").is_dir():
        pytest.skip("DOMATIA_REAL_DATA has no folder cecropia_vines_azteca")
    found = bring("vines", real_data / "cecropia_vines_azteca").batch.tables["quantity"]
    trees = found.pivot("name", index="row", values="text")
    counted = trees.group_by("form of the tree", "with vines").len().sort("form of the tree", "with vines")
    assert counted.rows() == [
        ("BRANCA", "FALSE", 42), ("BRANCA", "TRUE", 40), ("VERMELHA", "FALSE", 63), ("VERMELHA", "TRUE", 7),
    ]  # fmt: skip
