"""A whole file brought in: nothing is guessed, nothing is lost, and the same table always gives the same records."""

import random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from tests.rooms.intake.small_tables import PROFILE, STUDY, bring, codes, study_of, table, without_origin

from domatia.intake.brought import bring_in
from domatia.intake.mapping_parse import parse_mapping
from domatia.model import StudyData, WrongUse, table_schema

CENSUS = """
[table]
row = "visit"
[place]
name = "plot"
[plant]
key = ["place.name", "no"]
origin = { column = "new", words = { yes = "seedling", no = "found as adult" }, if_varies = "any" }
[tag]
tag = "no"
[visit]
when = { column = "year", date = "yyyy" }
status = { column = "st", words = { a = "alive", d = "dead confirmed", m = "not found" } }
height_cm = "ht"
"""

CHANGES = """
[table]
row = "tag change"
[place]
name = "plot"
[plant]
find_by = "tag"
[tag]
tag = "new"
former_tag = "old"
borne = { column = "year", date = "yyyy" }
why = { value = "replaced" }
"""

rows = st.lists(
    st.tuples(
        st.sampled_from("AB"),
        st.integers(1, 3),
        st.integers(2000, 2002),
        st.sampled_from("admx"),
        st.sampled_from(["", "1", "20", "z"]),
        st.sampled_from(["yes", "no"]),
    ),
    min_size=1,
    max_size=12,
)


def text_of(given_rows: list[tuple[str, int, int, str, str, str]]) -> str:
    """Write the rows as a table."""
    return "plot,no,year,st,ht,new\n" + "\n".join(",".join(map(str, r)) for r in given_rows)


@example(given_rows=[("A", 1, 2000, "a", "", "yes")] * 5 + [("A", 1, 2000, "a", "z", "yes")], seed=0)
@given(given_rows=rows, seed=st.integers(0, 99))
@settings(max_examples=30, deadline=None)
def test_the_order_of_rows_does_not_matter(given_rows: list[tuple[str, int, int, str, str, str]], seed: int) -> None:
    """Shuffled rows, doubles and bad cells among them, give the same records under the same ids."""
    shuffled = list(given_rows)
    random.Random(seed).shuffle(shuffled)
    one, two = bring(text_of(given_rows), CENSUS), bring(text_of(shuffled), CENSUS)
    assert without_origin(one) == without_origin(two)
    assert codes(one) == codes(two)


@given(given_rows=rows)
@settings(max_examples=20, deadline=None)
def test_renamed_columns_with_a_fitting_mapping_give_the_same(
    given_rows: list[tuple[str, int, int, str, str, str]],
) -> None:
    """Ids and contents follow from the cells and the fields, not from the headers."""
    text, mapping = text_of(given_rows), CENSUS
    renamed = text.replace("plot,no,year,st,ht,new", "Parcela,N,Ano,Estado,Alt,Novo")
    for old, new in (
        ('"plot"', '"Parcela"'), ('"no"', '"N"'), ('"year"', '"Ano"'), ('"st"', '"Estado"'), ('"ht"', '"Alt"'),
        ('"new"', '"Novo"'),
    ):  # fmt: skip
        mapping = mapping.replace(old, new)
    assert without_origin(bring(text, CENSUS)) == without_origin(bring(renamed, mapping))


def test_every_record_knows_its_row_and_has_the_table_s_shape() -> None:
    """File, sheet, row and hash stand beside the fields; two equal files give two equal batches."""
    text = text_of([("A", 1, 2000, "a", "20", "no"), ("A", 1, 2001, "a", "22", "no")])
    one, two = bring(text, CENSUS), bring(text, CENSUS)
    for kind, frame in one.batch.tables.items():
        assert frame.drop("origin_hash").schema == table_schema(kind)
        assert set(frame["origin_file"]) == {"field.csv"}
        assert frame["origin_hash"].bin.size().to_list() == [16] * frame.height
        assert frame.equals(two.batch.tables[kind])
    assert one.batch.tables["visit"].sort("when_earliest")["origin_row"].to_list() == [2, 3]


def test_bringing_a_file_in_again_changes_nothing() -> None:
    """With its own records in the study, the same file gives the same batch."""
    text = text_of([("A", 1, 2000, "a", "20", "no"), ("A", 2, 2000, "m", "", "yes")])
    first = bring(text, CENSUS)
    again = bring(text, CENSUS, study_of(first.batch))
    assert without_origin(again) == without_origin(first)
    assert again.batch.replaces == ()


def test_another_file_may_say_more_of_a_place() -> None:
    """What the study holds is carried over and replaced by the fuller record; a mere mention brings nothing."""
    census = bring(text_of([("A", 1, 2000, "a", "20", "no")]), CENSUS)
    plots = '[table]\nrow = "place"\n[place]\nname = "plot"\nhabitat = "h"'
    known = study_of(census.batch)
    fuller = bring("plot,h\nA,gap", plots, known, name="plots.csv")
    (new,) = fuller.batch.tables["place"].rows(named=True)
    assert (new["name"], new["habitat"]) == ("A", "gap")
    assert fuller.batch.replaces == ((new["record_id"], known.table("place")["record_id"][0]),)
    mention = bring(text_of([("A", 9, 2000, "a", "20", "no")]), CENSUS, study_of(fuller.batch), name="later.csv")
    assert "place" not in mention.batch.tables
    assert mention.summary.known_already == {"place": 1}


def test_files_that_contradict_each_other_both_stand() -> None:
    """Neither wins: the second comes in beside the first, and a finding says so."""
    plots = '[table]\nrow = "place"\n[place]\nname = "plot"\nhabitat = "h"'
    known = study_of(bring("plot,h\nA,gap", plots, name="plots.csv").batch)
    other = bring("plot,h\nA,forest", plots, known, name="other.csv")
    assert codes(other) == ["differs_from_study"]
    assert other.batch.tables["place"]["habitat"].to_list() == ["forest"]
    assert other.batch.replaces == ()


def test_a_name_the_study_does_not_know_is_told_with_the_nearest() -> None:
    """A misspelt plot comes in as written, and the accepted name is proposed."""
    known = study_of(bring(text_of([("Mill", 1, 2000, "a", "1", "no")]), CENSUS, name="first.csv").batch)
    brought = bring(text_of([("Mil", 1, 2000, "a", "1", "no")]), CENSUS, known)
    (finding,) = brought.findings
    assert finding.code == "name_new"
    assert "Mill" in finding.expected


def known_tags() -> StudyData:
    """Give plants 1 to 3 of plot A, seen 2000 to 2002, and plant 1 of plot B."""
    seen = [("A", n, y, "a", "1", "no") for n in (1, 2, 3) for y in (2000, 2001, 2002)]
    return study_of(bring(text_of([*seen, ("B", 1, 2000, "a", "1", "no")]), CENSUS, name="census.csv").batch)


def test_a_tag_change_belongs_to_the_one_plant_that_fits() -> None:
    """It is found by place, old or new number and date; none or two are left open, never guessed."""
    text = "plot,year,old,new\nA,2001,1,51\nA,2001,52,2\nA,2001,1,2\nA,2001,8,9\nA,1990,3,53\nA,2002,51,61\nB,2000,1,"
    known = known_tags()
    brought = bring(text, CHANGES, known)
    tags = brought.batch.tables["tag"].sort("origin_row")
    assert tags.height == 7
    attached = [p is not None for p in tags["plant"]]
    assert attached == [True, True, False, False, False, True, True]
    assert tags["plant"][0] == tags["plant"][5]
    assert (brought.summary.tags_attached, brought.summary.tags_open) == (4, 3)
    assert codes(brought) == ["new_tag_unknown", "tag_fits_none", "tag_fits_none", "tag_fits_several"]
    ended = tags.row(6, named=True)
    assert (ended["tag"], ended["why"], ended["borne_earliest"]) == ("1", "lost", None)
    begun = tags.row(0, named=True)
    assert (begun["tag"], begun["former_tag"], begun["borne_latest"]) == ("51", "1", None)
    again = bring(text, CHANGES, study_of(brought.batch, on=known))
    assert again.batch.tables["tag"].drop("origin_hash").equals(brought.batch.tables["tag"].drop("origin_hash"))


def test_visits_may_be_found_by_tag() -> None:
    """A list that names plants by tag only gives visits of known plants; a row that fits none is kept as quantities."""
    mapping = """
[table]
row = "visit"
[place]
name = "plot"
[plant]
find_by = "tag"
[tag]
tag = "tag"
[visit]
when = { column = "day", date = "yyyy-mm-dd" }
height_cm = "ht"
"""
    brought = bring("plot,tag,day,ht\nA,1,2001-05-01,7\nA,77,2001-05-01,8", mapping, known_tags())
    visits = brought.batch.tables["visit"]
    assert visits["height_cm"].to_list() == [7.0]
    assert visits["plant"][0] in set(known_tags().table("plant")["subject_id"])
    assert codes(brought) == ["needed_missing", "tag_fits_none"]
    assert "visit height_cm as written" in set(brought.batch.tables["quantity"]["name"])
    assert "tag" not in brought.batch.tables


def test_any_table_comes_in_as_quantities() -> None:
    """Rows without a plant keep together by a name that follows from their content; equal rows stay apart."""
    mapping = '[table]\nrow = "quantities"\n[[quantity]]\ncolumn = "len"\nunit = "mm"'
    brought = bring("morph,len\nred,5\nred,5\nwhite,x", mapping)
    found = brought.batch.tables["quantity"]
    assert found.height == 6
    assert found["row"].n_unique() == 3
    lengths = found.filter(found["name"] == "len").sort("origin_row")
    assert lengths.select("text", "number", "unit").rows() == [("5", 5.0, "mm"), ("5", 5.0, "mm"), ("x", None, "mm")]
    turned = bring("morph,len\nwhite,x\nred,5\nred,5", mapping)
    assert without_origin(turned) == without_origin(brought)


def test_the_summary_fits_on_a_screen() -> None:
    """Rows, records, statuses and findings by code, in a few lines."""
    brought = bring(text_of([("A", n, 2000, "a", "x", "no") for n in range(300)]), CENSUS)
    text = brought.summary.text()
    assert "300 rows in" in text
    assert "300 alive" in text
    assert "300 not a number" in text
    assert len(text.splitlines()) < 20


def test_tables_of_two_files_are_wrong_use() -> None:
    """One batch comes from one file."""
    tables = [table("a\n1", "one.csv"), table("a\n1", "two.csv")]
    with pytest.raises(WrongUse, match="2 files"):
        bring_in(tables, parse_mapping('[table]\nrow = "quantities"'), STUDY, PROFILE)


def test_an_empty_table_gives_nothing_and_no_error() -> None:
    """A header without rows is brought in as no records."""
    brought = bring("plot,no,year,st,ht,new", CENSUS)
    assert brought.summary.rows_in == 0
    assert dict(brought.batch.tables) == {}
