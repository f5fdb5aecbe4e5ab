"""The mapping file as it is read and written."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from domatia.intake.mapping import Groups, Part, Quantity, Source, TableForm, TableMapping
from domatia.intake.mapping_parse import parse_mapping
from domatia.intake.mapping_text import mapping_text
from domatia.model import WrongUse

GOOD = """
[table]
file = "census.csv"
row = "visit"
blank = ["", "NA"]

[place]
name = "plot"
level = { value = "plot" }

[plant]
key = ["place.name", "no"]

[visit]
when = { column = "date", date = "dd/mm/yyyy" }
status = { column = "st", words = { ok = "alive", gone = "not found" } }
height_cm = { column = "ht", unit = "m", codes = { dead = ["+"], "not looked" = ["x"] } }

[[quantity]]
column = "soil"
of = "place"
unit = "%"

[names.place]
"Old mill" = "Mill"

[not_visited]
confirmed = { Mill = ["2003"] }
partly = { Ford = ["2003"] }
"""


def test_a_mapping_says_what_each_column_is() -> None:
    """Columns, constants, words, codes, names and confirmed rounds are read."""
    mapping = parse_mapping(GOOD)
    visit = mapping.parts["visit"].fields
    assert visit["height_cm"] == Source(column="ht", unit="m", codes={"dead": ("+",), "not looked": ("x",)})
    assert visit["when"].date == ("dd/mm/yyyy",)
    assert mapping.parts["place"].fields["level"].value == "plot"
    assert mapping.parts["plant"].key == ("place.name", "no")
    assert mapping.quantities == (Quantity("soil", "place", "", "%"),)
    assert mapping.names == {"place": {"Old mill": "Mill"}}
    assert (mapping.not_visited, mapping.partly) == ({"Mill": ("2003",)}, {"Ford": ("2003",)})


def test_all_mistakes_are_told_at_once_with_near_names() -> None:
    """An unknown shape, field, option and word are told in one message."""
    text = '[table]\nrow = "vist"\n[visit]\nheigt_cm = "a"\nstatus = { colum = "b", words = { a = "alife" } }'
    with pytest.raises(WrongUse, match="mistakes") as told:
        parse_mapping(text, "census.toml")
    for part in ("census.toml", "did you mean visit", "height_cm", "did you mean column", "did you mean alive"):
        assert part in str(told.value)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('unit = "m"', 'unit = "kg"', "no 'kg'"),
        ('date = "dd/mm/yyyy"', 'date = ["dd/mm/yyyy", "mm/dd/yyyy"]', "cannot both hold"),
        ('date = "dd/mm/yyyy"', 'date = "dd/mm"', "cannot be used"),
        ('date = "dd/mm/yyyy"', 'date = "dd/mm/yyyy HH:MM"', "time_zone is needed"),
        ('column = "st",', 'column = "st", if_varies = "never",', "no 'never'"),
        ('dead = ["+"]', 'dead = ["x"]', "cannot mean both"),
        ('key = ["place.name", "no"]', 'subplot = "s"', "key is missing"),
        ('when = { column = "date", date = "dd/mm/yyyy" }', "", "when is missing"),
        ('row = "visit"', 'row = "pair of years"', "names are needed"),
        ("[[quantity]]", "[quantity]", "double brackets"),
        ('of = "place"', 'of = "plase"', "did you mean place"),
        ('blank = ["", "NA"]', "blank = 3", "text or a list"),
    ],
)
def test_a_mistake_is_named(old: str, new: str, told: str) -> None:
    """Each kind of mistake has its own words."""
    assert old in GOOD
    with pytest.raises(WrongUse, match=told):
        parse_mapping(GOOD.replace(old, new))


def test_no_toml_is_told() -> None:
    """A file that is not TOML is refused with the line."""
    with pytest.raises(WrongUse, match=r"not TOML.*line"):
        parse_mapping("[table\nrow = 1")


def test_notes_become_comments() -> None:
    """A remark on a field or a column stands above it and does not change what is read."""
    mapping = parse_mapping(GOOD)
    text = mapping_text(mapping, {"visit.height_cm": "three cells hold text", "quantity.soil": "guessed"})
    assert "# three cells hold text\nheight_cm = {" in text
    assert "# guessed\n[[quantity]]" in text
    assert parse_mapping(text) == mapping


words = st.text(min_size=1, max_size=8).filter(lambda t: max(t) <= "\ud7ff" and min(t) > "\x1f")


@given(
    columns=st.lists(words, min_size=4, max_size=4),
    codes=st.dictionaries(st.sampled_from(["blank", "dead", "not found"]), st.just(("-",)), max_size=1),
    meant=st.dictionaries(words, st.sampled_from(["alive", "not found", ""]), max_size=3),
    names=st.dictionaries(words, words, max_size=3),
    blank=st.lists(words, max_size=2).map(tuple),
)
def test_what_is_written_is_read_back(
    columns: list[str],
    codes: dict[str, tuple[str, ...]],
    meant: dict[str, str],
    names: dict[str, str],
    blank: tuple[str, ...],
) -> None:
    """Whatever the headers, codes and names are, the written file gives the same mapping."""
    mapping = TableMapping(
        table=TableForm("a.csv", "plant with repeated groups", blank=("", *blank), skip_rows=3),
        parts={
            "plant": Part("plant", key=(columns[0],)),
            "visit": Part(
                "visit",
                fields={
                    "when": Source(column=columns[1], date=("yyyy", "dd/mm/yyyy")),
                    "status": Source(column=columns[2], words=meant, codes=codes),
                    "note": Source(columns=(columns[2], columns[3]), join=" / "),
                },
            ),
        },
        quantities=(Quantity(columns[3], "plant", "soil", "%"),),
        groups=Groups(("a", "b"), (0, 1), {"h": (columns[0], columns[1])}),
        names={"plant": names} if names else {},
        not_visited={columns[0]: ("1",)},
    )
    assert parse_mapping(mapping_text(mapping)) == mapping
