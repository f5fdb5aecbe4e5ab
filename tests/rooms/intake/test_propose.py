from pathlib import Path

import pytest

from domatia.intake.mapping_parse import parse_mapping
from domatia.intake.propose import Proposal, propose
from domatia.intake.read_table import read_table


def proposal(folder: Path, text: str, name: str = "census.csv", skip_rows: int = 0) -> Proposal:
    """Write a table, read it and propose its mapping; the text must read back as the mapping."""
    (folder / name).write_text(text)
    found = propose(read_table(folder / name, skip_rows=skip_rows))
    assert parse_mapping(found.text) == found.mapping
    return found


VISITS = """plot,plant_id,tag,date,status,ht_m,shoots,ant,observer,remarks,bark colour
Mill,1,14,17/03/2024,alive,1.20,3,Copper ant,AB,,grey
Mill,1,14,02/09/2024,dead,NA,NA,,AB,,grey
mill ,2,15,17/03/2024,alive,0.80,2,none,AB,broken,brown
Ford,3,14,17/03/2024,nf,NA,NA,,CD,,
Ford,3,14,02/09/2024,alive,0.95,?,Copper ant,CD,,grey
"""


def test_one_row_a_visit_is_recognised(tmp_path: Path) -> None:
    """Fields, units, date form, status words and key are proposed from headers and cells."""
    p = proposal(tmp_path, VISITS)
    m = p.mapping
    assert (m.table.row, m.table.blank) == ("visit", ("", "NA"))
    visit = m.parts["visit"].fields
    assert visit["when"].date == ("dd/mm/yyyy",)
    assert visit["status"].words == {"dead": "dead confirmed", "nf": "not found"}
    assert (visit["height_cm"].column, visit["height_cm"].unit) == ("ht_m", "m")
    assert visit["note"].column == "remarks"
    assert visit["observer"].column == "observer"
    assert m.parts["plant"].key == ("plant_id",)
    assert m.parts["tag"].fields["tag"].column == "tag"
    assert m.parts["occupancy"].fields["taxon"].codes == {"none": ("none",)}
    assert [(q.column, q.of) for q in m.quantities] == [("bark colour", "visit")]


def test_every_guess_has_its_reason_and_counts(tmp_path: Path) -> None:
    """Comments count what was seen, and what only a person can tell is marked."""
    p = proposal(tmp_path, VISITS)
    assert "'NA' 4 times" in p.text
    assert "LOOK: give the meaning of '?' 1 in codes" in p.notes["visit.shoots"]
    assert "'Mill' = 'mill'" in p.notes["place.name"]
    assert "5 rows, 11 columns" in p.notes["table"]


@pytest.mark.parametrize(
    ("days", "form", "doubt"),
    [
        (("13/02/2024", "01/03/2024"), ("dd/mm/yyyy",), False),
        (("02/13/2024", "03/01/2024"), ("mm/dd/yyyy",), False),
        (("02/03/2024", "03/01/2024"), (), True),
        (("13/02/2024", "02/13/2024"), (), True),
        (("2024-02-13", "2024-03-01"), (), False),
        (("13.2.24", "1.3.24"), ("dd.mm.yy",), False),
        (("13-Feb-2024", "01-Mar-2024"), ("dd-mon-yyyy",), False),
        (("20240213", "20240301"), ("yyyymmdd",), False),
        (("2023", "2024"), (), False),
    ],
)
def test_the_form_of_dates_is_proposed_only_where_it_shows(
    tmp_path: Path, days: tuple[str, str], form: tuple[str, ...], doubt: bool
) -> None:
    """Where day and month cannot be told apart no form is proposed, and the comment says so."""
    p = proposal(tmp_path, f"plant,date,ht\n1,{days[0]},5\n1,{days[1]},6\n")
    assert p.mapping.parts["visit"].fields["when"].date == form
    assert ("cannot be told apart" in p.notes["visit.when"]) == doubt


def test_numbers_that_begin_anew_in_each_place_need_the_place_in_the_key(tmp_path: Path) -> None:
    """The same number in two plots is two plants."""
    p = proposal(tmp_path, "plot,plant,year,ht\nA,1,2001,5\nA,1,2002,6\nB,1,2001,5\nB,1,2002,5\n")
    assert p.mapping.parts["plant"].key == ("place.name", "plant")
    assert "1 of its values stand in more than one place" in p.notes["plant"]


def test_plots_that_begin_anew_in_each_site_are_named_by_both(tmp_path: Path) -> None:
    """Plot 1 of two sites is two places."""
    p = proposal(tmp_path, "site,plot,tag,year,ht\nX,1,7,2001,5\nY,1,7,2001,5\nX,2,7,2001,5\n")
    name = p.mapping.parts["place"].fields["name"]
    assert (name.columns, name.join) == (("site", "plot"), "-")


def test_repeated_year_groups_are_recognised(tmp_path: Path) -> None:
    """Columns such as HT_1998 become one field with the year as the group; a missing one is named by an alias."""
    p = proposal(tmp_path, "plot,tag,HT_1998,SHTS_1998,HT_1999,SHTS_1999,NOTES_1999\nA,1,5,1,6,2,x\nA,2,7,1,,,\n")
    m = p.mapping
    assert m.table.row == "plant with repeated groups"
    assert m.groups.names == ("1998", "1999")
    visit = m.parts["visit"].fields
    assert visit["height_cm"].column == "HT_{group}"
    assert visit["when"].column == "@group"
    assert set(visit["status"].alive_if) == {"HT_{group}", "SHTS_{group}"}
    assert m.groups.columns == {"note_columns": ("", "NOTES_1999")}
    assert visit["note"].column == "{note_columns}"


def test_a_pair_of_years_is_recognised(tmp_path: Path) -> None:
    """Columns ending in t and t1 are two years; survival speaks of the second."""
    p = proposal(tmp_path, "plant,year,ht_t,ht_t1,surv\n1,2001,5,6,1\n2,2001,7,,0\n")
    m = p.mapping
    assert (m.table.row, m.groups.names, m.groups.years_later) == ("pair of years", ("t", "t1"), (0, 1))
    status = m.parts["visit"].fields["status"]
    assert m.groups.columns["status_columns"] == ("", "surv")
    assert (status.words, status.alive_if) == ({"1": "alive", "0": "dead confirmed"}, ("ht_{group}",))


def test_tag_changes_places_and_place_visits_are_recognised(tmp_path: Path) -> None:
    """Tables without visits of plants get the shape that their columns speak of."""
    tags = proposal(tmp_path, "plot,year,old_tag,new_tag,notes\nA,2001,5,6,lost\n").mapping
    assert (tags.table.row, tags.parts["plant"].find_by) == ("tag change", "tag")
    assert set(tags.parts["tag"].fields) == {"tag", "former_tag", "borne", "note"}
    places = proposal(tmp_path, "plot,habitat,area_m2\nA,forest,100\nB,pasture,200\n").mapping
    assert places.table.row == "place"
    assert set(places.parts["place"].fields) == {"name", "habitat", "searched_m2"}
    searched = proposal(
        tmp_path, "plot,date,searched,observers\nA,2001-02-03,fully,AB\nB,2001-02-03,partly,AB\n"
    ).mapping
    assert searched.table.row == "place visit"
    assert set(searched.parts["place_visit"].fields) == {"when", "searched", "observers"}


def test_a_table_of_another_record_is_recognised_by_its_own_fields(tmp_path: Path) -> None:
    """Leaf scores are leaves of plants, with their date and observer."""
    p = proposal(
        tmp_path,
        "plot,plant,date,leaf,area_cm2,missing_pct,observer\nA,1,2024-05-01,a,30,5,AB\nA,1,2024-05-01,b,20,0,AB\n",
    )
    assert p.mapping.table.row == "quantities"
    assert set(p.mapping.parts["leaf"].fields) == {"leaf", "when", "area_cm2", "missing_pct", "observer"}
    assert p.mapping.parts["plant"].key == ("plant",)


def test_treatments_get_roles_to_be_looked_at(tmp_path: Path) -> None:
    """The role is guessed from the treatment's name, and the comment says that it is a guess."""
    p = proposal(
        tmp_path, "plant,date,ht,treatment\n1,2024-01-02,5,ants removed\n2,2024-01-02,5,Control\n3,2024-01-02,4,sham\n"
    )
    role = p.mapping.parts["treatment"].fields["role"]
    assert role.words == {"ants removed": "removal", "Control": "control", "sham": "sham"}
    assert "guessed" in p.notes["treatment.role"]
    assert "assignment" in p.mapping.parts


def test_decimal_commas_are_seen(tmp_path: Path) -> None:
    """The sign that more numbers have is proposed, and both counts are told."""
    p = proposal(tmp_path, "plant;date;ht\n1;2024-01-02;5,5\n2;2024-01-02;6,25\n3;2024-01-02;6.5\n")
    assert p.mapping.table.decimal == ","
    assert "1 numbers have a decimal point and 2 a decimal comma" in p.notes["table"]


def test_year_month_and_day_in_columns_of_their_own_are_joined(tmp_path: Path) -> None:
    """Three columns make one date."""
    when = (
        proposal(tmp_path, "plant,year,month,day,ht\n1,2024,1,2,5\n1,2024,3,14,6\n")
        .mapping.parts["visit"]
        .fields["when"]
    )
    assert (when.columns, when.join, when.date) == (("year", "month", "day"), "-", ("yyyy-mm-dd",))


def test_without_a_date_the_year_in_the_files_name_is_proposed_aloud(tmp_path: Path) -> None:
    """The comment asks the user to look; without any year the rows are quantities."""
    text = "plant,ht\n1,5\n2,6\n"
    p = proposal(tmp_path, text, "census_2006.csv")
    assert p.mapping.parts["visit"].fields["when"].value == "2006"
    assert "LOOK" in p.notes["visit.when"]
    assert proposal(tmp_path, text, "census.csv").mapping.table.row == "quantities"


def test_a_table_that_fits_nothing_becomes_quantities(tmp_path: Path) -> None:
    """Unknown columns keep their names and units; columns without values are left out."""
    p = proposal(tmp_path, "morphotype of bark,sap_ml,empty\nred,3.5,\ngrey,4,\n")
    assert p.mapping.table.row == "quantities"
    assert [(q.column, q.unit) for q in p.mapping.quantities] == [("morphotype of bark", ""), ("sap_ml", "mL")]
    assert p.mapping.table.leave_out == ("empty",)


def test_rows_above_the_header_and_a_guessed_encoding_are_written_down(tmp_path: Path) -> None:
    """What the reader was told or had to guess stands in the mapping, so that it is no guess next time."""
    (tmp_path / "c.csv").write_bytes(
        "Censo de março\nplanta;data;altura\nn1;2024-01-02;5,5\nnº2;2024-01-02;6\n".encode("cp1252")
    )
    p = propose(read_table(tmp_path / "c.csv", skip_rows=1))
    assert (p.mapping.table.skip_rows, p.mapping.table.encoding) == (1, "cp1252")
    assert parse_mapping(p.text) == p.mapping


@pytest.mark.parametrize("when", ["2024-01-02 14:30", "2024-01-02T14:30:00", "13/01/2024 9:05"])
def test_clock_times_ask_for_a_time_zone(tmp_path: Path, when: str) -> None:
    """A clock time without an offset needs a time zone; one is written down to be looked at."""
    p = proposal(tmp_path, f"plant,date,ht\n1,{when},5\n")
    assert p.mapping.table.time_zone == "UTC"
    assert "LOOK: clock times were taken for UTC" in p.text


MESSY = """Plot;Tag No;Date;Obs;Ht (cm);Domatia;Ants?;Ant species
Mill;1;13/02/2021;AB;10,5;nc;y;Rust ant
Mill;2;13/02/2021;ab;11,5;4;n;-
MILL;3;14/02/2021;JC;dead;nc;;
Mill;4;14/02/2021;JC;9,5;2;y;none
Mill;5;14/02/2021;JC;9,5;3;y;rust ant
"""


def test_a_yes_or_no_on_ants_is_not_taken_for_an_ant(tmp_path: Path) -> None:
    """The column that names ants is the taxon; whether y means looked or found is asked."""
    p = proposal(tmp_path, MESSY)
    assert p.mapping.parts["occupancy"].fields["taxon"].column == "Ant species"
    assert "looked" in p.notes["quantity.Ants?"]
    assert "'-' may mean that somebody looked" in p.notes["table"]


def test_a_named_ant_without_a_stage_is_taken_for_patrolling_aloud(tmp_path: Path) -> None:
    """Without a column for the stage the proposal states one, and says that it did."""
    p = proposal(tmp_path, MESSY)
    stage = p.mapping.parts["occupancy"].fields["stage"]
    assert (stage.column, stage.words, stage.codes) == ("Ant species", {"*": "patrolling"}, {"none": ("none",)})
    assert p.notes["occupancy.stage"].startswith("LOOK")


def test_many_cells_with_one_word_for_not_counted_leave_a_column_numeric(tmp_path: Path) -> None:
    """Domatia of which most were not counted are still domatia."""
    p = proposal(tmp_path, MESSY)
    assert p.mapping.parts["visit"].fields["domatia"].codes == {"not looked": ("nc",)}
    assert p.mapping.parts["visit"].fields["observer"].column == "Obs"


def test_spellings_come_with_the_lines_that_make_them_one(tmp_path: Path) -> None:
    """The comment holds what to write for names that differ in capitals only."""
    p = proposal(tmp_path, MESSY)
    assert '[names.place] and below it, one a line: "MILL" = "Mill"' in p.notes["place.name"]
    assert '[names.person] and below it, one a line: "ab" = "AB"' in p.notes["visit.observer"]


def test_leaf_tables_are_known_by_the_words_of_the_field(tmp_path: Path) -> None:
    """Age, share missing and fate are found under other headers and words than the model's."""
    p = proposal(
        tmp_path,
        "plot;tag;leaf;date;age;% missing;fate;who\nA;1;a;13/03/2021;young;5;;AB\nA;1;b;14/03/2021;mature;9;fell;AB\n",
    )
    leaf = p.mapping.parts["leaf"].fields
    assert set(leaf) == {"leaf", "when", "age_class", "missing_pct", "fate", "observer"}
    assert leaf["fate"].words == {"fell": "abscised"}


def test_the_date_of_a_tag_change_may_lack_now_and_then(tmp_path: Path) -> None:
    """A date that somebody did not know does not hide that the column holds dates."""
    p = proposal(
        tmp_path,
        "plot,old_tag,new_tag,date changed\nA,1,11,13/05/2021\nA,2,12,14/05/2021\nA,3,13,15/05/2021\nA,4,14,?\n",
    )
    assert p.mapping.parts["tag"].fields["borne"].date == ("dd/mm/yyyy",)
