"""Records hang together by ids that follow from what stands in the cells, not from where it stands."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.rooms.intake.small_tables import STUDY, bring, codes, study_of

from domatia.intake.shape_keys import joined_key, key_ids, named_ids
from domatia.model import WrongUse
from domatia.model.identity import named_id

ANTS = """
[table]
row = "visit"
[place]
name = "plot"
level = { value = "plot" }
[plant]
key = ["place.name", "no"]
species = "sp"
[visit]
when = { column = "date", date = "dd/mm/yyyy" }
observer = "who"
height_cm = "ht"
[occupancy]
taxon = { column = "ant", codes = { none = ["0"], "not looked" = ["?"] } }
stage = { column = "stage" }
[names.taxon]
"A. longa" = "Aa longa"
[names.person]
AB = "Ada Boe"
"""

HEAD = "plot,no,sp,date,who,ht,ant,stage\n"


@given(st.lists(st.text(max_size=5), min_size=1, max_size=5), st.text(max_size=4))
def test_ids_of_many_are_the_ids_of_one_by_one(keys: list[str], content: str) -> None:
    """The quick way gives what the model's own function gives."""
    assert named_ids(STUDY, "plant", keys) == [named_id(STUDY, "plant", k) for k in keys]
    told = content.encode("utf-8", "surrogatepass")
    assert named_ids(STUDY, "plant", keys, [content] * len(keys)) == [named_id(STUDY, "plant", k, told) for k in keys]


parts = st.tuples(st.text(max_size=4), st.text(max_size=4))


@given(parts, parts)
def test_different_keys_never_look_alike(one: tuple[str, str], two: tuple[str, str]) -> None:
    """Separators inside a part do not make two keys the same."""
    frame = [pl.Series([one[n], two[n]]) for n in (0, 1)]
    first, second = joined_key(frame).to_list()
    assert (first == second) == (one == two)


def test_a_row_gives_place_plant_visit_and_occupant() -> None:
    """Links name the subject ids of the things of the same row; synonyms lead to one taxon, its spellings kept."""
    brought = bring(HEAD + "A,1,x,17/10/2003,AB,10,A. longa,patrolling\nA,2,x,17/10/2003,,10,Aa longa,", ANTS)
    tables = brought.batch.tables
    plants, visits, ants = tables["plant"], tables["visit"], tables["occupancy"]
    assert set(plants["place"]) == {tables["place"]["subject_id"][0]}
    assert set(visits["plant"]) == set(plants["subject_id"])
    assert set(ants["visit"]) == set(visits["subject_id"])
    assert set(ants["taxon"]) == {tables["taxon"]["subject_id"][0]}
    assert tables["taxon"]["name"].to_list() == ["Aa longa"]
    assert sorted(visits["observer"].drop_nulls()) == ["Ada Boe"]
    assert ants["looked"].to_list() == [True, True]
    assert named_id(STUDY, "plant", "A|1") in set(plants["subject_id"])


def test_nobody_looked_none_was_there_and_blank_are_three_things() -> None:
    """'Not looked' is a record that says so, 'none' one without a taxon, and a blank no record at all."""
    rows = "A,1,x,17/10/2003,,10,?,\nA,2,x,17/10/2003,,10,0,none\nA,3,x,17/10/2003,,10,,"
    brought = bring(HEAD + rows, ANTS)
    ants = brought.batch.tables["occupancy"].sort("origin_row")
    assert ants.select("origin_row", "looked", "stage", "taxon").rows() == [
        (2, False, None, None),
        (3, True, "none", None),
    ]
    assert brought.batch.tables["visit"].height == 3


def test_several_occupants_share_one_visit() -> None:
    """Two rows that differ only in the ant are one visit with two occupants, and nothing is told."""
    brought = bring(HEAD + "A,1,x,17/10/2003,,10,Aa longa,\nA,1,x,17/10/2003,,10,Bb brevis,", ANTS)
    assert brought.batch.tables["visit"].height == 1
    assert brought.batch.tables["occupancy"].height == 2
    assert not brought.findings
    torn = bring(HEAD + "A,1,x,17/10/2003,,10,Aa longa,\nA,1,x,17/10/2003,,11,Bb brevis,", ANTS)
    assert codes(torn) == ["duplicate_key"]
    assert torn.batch.tables["visit"].height == 2


@pytest.mark.parametrize(
    ("rule", "species", "told"),
    [("refuse", None, ["varies_within_key"]), ("first", "x", []), ("last", "y", []), ("any", "y", [])],
)
def test_what_varies_between_rows_follows_the_mapping(rule: str, species: str | None, told: list[str]) -> None:
    """Refused by default and kept as written; else the first, the last, or the value that wins."""
    words = ', words = { y = "y", x = "x" }' if rule == "any" else ""
    mapping = ANTS.replace('species = "sp"', f'species = {{ column = "sp", if_varies = "{rule}"{words} }}')
    brought = bring(HEAD + "A,1,y,17/10/2004,,10,,\nA,1,x,17/10/2003,,10,,", mapping)
    assert brought.batch.tables["plant"]["species"].to_list() == [species]
    assert codes(brought) == told
    if told:
        assert sorted(brought.batch.tables["quantity"]["text"]) == ["x", "y"]


def test_first_needs_a_date() -> None:
    """Without a date there is no first row, since the order of rows says nothing."""
    mapping = '[table]\nrow = "plant"\n[plant]\nkey = "no"\nspecies = { column = "sp", if_varies = "first" }'
    with pytest.raises(WrongUse, match="no row has a date"):
        bring("no,sp\n1,x", mapping)


def test_a_plant_without_a_number_is_a_plant_of_its_own() -> None:
    """Two untagged plants of one plot are never taken for one."""
    mapping = '[table]\nrow = "plant"\n[plant]\nkey = ["plot", "no"]\nspecies = "sp"'
    brought = bring("plot,no,sp\nA,,x\nA,,y\nA,1,x", mapping)
    assert brought.batch.tables["plant"].height == 3
    assert codes(brought) == ["key_missing", "key_missing"]


def test_a_link_to_something_unknown_is_told() -> None:
    """An assignment to a treatment that nobody described is kept and told; a described one is not."""
    mapping = """
[table]
row = "plant"
[plant]
key = "no"
[assignment]
treatment = "arm"
"""
    treatments = """
[table]
row = "quantities"
[treatment]
name = "arm"
role = { column = "role" }
"""
    known = study_of(bring("arm,role\ncut,removal", treatments, name="arms.csv").batch)
    rows = "no,arm\n1,cut\n2,keep"
    assert codes(bring(rows, mapping)) == ["link_unknown", "link_unknown"]
    brought = bring(rows, mapping, known)
    assert [f.values for f in brought.findings] == [("treatment", "keep")]
    ids = set(brought.batch.tables["assignment"]["treatment"])
    assert named_id(STUDY, "treatment", "cut") in ids
    assert key_ids(STUDY, "treatment", pl.Series(["keep"]))[0] in ids
