"""Layers of the invented study: the same rows in memory and, by way of the crew's tables, in a study file."""

from collections.abc import Mapping
from datetime import date, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from domatia.intake.write_table import write_table
from domatia.lifecycle import DEFAULT, observe
from domatia.lifecycle.layers import ALL, Layer, read_by
from domatia.lifecycle.layers.paper import crew_tables
from domatia.lifecycle.layers.records import study_tables
from domatia.lifecycle.messy import tables_of
from domatia.lifecycle.naming import Naming
from domatia.lifecycle.notebook import Notebook, keep_notebook
from domatia.lifecycle.study_lists import PROFILE_TEXT, block_name
from domatia.store import create_study, open_study
from domatia.tasks.importing import import_tables

SPEC = DEFAULT.sized(4, 12)


def _draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Two colonies that fight, three trials of which one has blanks, and the rain in one block."""
    return {
        "colony": pl.DataFrame({"name": ["C1", "C2"], "taxon": [0, 1]}),
        "fight": pl.DataFrame(
            {"colony_a": ["C1"], "colony_b": ["C2"], "when": [date(2021, 5, 1)], "staged": [True], "workers_a": [10],
             "winner": ["a"], "minutes": [7.5]}
        ),
        "trial": pl.DataFrame(
            {"plant": [0, 13, 13], "when": [datetime(2021, 5, d, 9, 30) for d in (1, 2, 3)], "watched_s": [60.0] * 3,
             "contacts": [1, None, int(rng.integers(5, 6))], "ended": ["time up", None, "excluded"]}
        ),
        "weather": pl.DataFrame(
            {"place": [block_name(book.spec, 1)], "when": [datetime(2021, 5, 1, 8)], "rain_mm": [0.25]}
        ),
    }  # fmt: skip


TOY = Layer("toy", 999, ("survival",), _draw, lambda spec, seed: ())


@pytest.fixture(scope="module")
def book() -> Notebook:
    """Give a small study that was lived through."""
    return keep_notebook(SPEC, 1)


def _in_memory(book: Notebook) -> Mapping[str, pl.DataFrame]:
    ids = Naming(book.study_id)
    return study_tables(TOY, book, ids, ids.named("plant", [str(i) for i in range(SPEC.n_plants)]))


def test_links_of_a_drawn_row_point_to_things_of_the_study(book: Notebook) -> None:
    """A plant's slot, an ant's number, a colony's and a block's name become the ids that the census uses."""
    made, study = _in_memory(book), observe(SPEC, 1)
    assert made["trial"]["plant"].is_in(study.table("plant")["subject_id"].implode()).all()
    assert made["colony"]["taxon"].is_in(study.table("taxon")["subject_id"].implode()).all()
    assert made["fight"]["colony_a"].is_in(made["colony"]["subject_id"].implode()).all()
    place = study.table("place").filter(pl.col("subject_id") == made["weather"]["place"][0])
    assert place["name"].to_list() == [block_name(SPEC, 1)]
    assert "2021-05-01T09:30:00+00:00" in made["trial"]["when_instant"].to_list()


def test_the_crews_tables_bring_in_what_stands_in_memory(book: Notebook, tmp_path: Path) -> None:
    """Written, mapped and imported after the census, every drawn record comes back with its values and links."""
    where = tmp_path / "toy.domatia"
    create_study(where, "toy", profile_text=PROFILE_TEXT, time_zone="UTC").close()
    others = {table.file for layer in ALL for table in crew_tables(layer, book)}
    census = [table for table in tables_of(book) if table.file not in others]
    for table in (*census, *crew_tables(TOY, book)):
        write_table(tmp_path / table.file, table.rows, delimiter=table.delimiter if "xlsx" not in table.file else "")
        (tmp_path / table.mapping_file).write_text(table.mapping, encoding="utf-8")
        import_tables(str(where), str(tmp_path / table.mapping_file), (str(tmp_path / table.file),), author="crew")
    with open_study(where) as opened:
        read = opened.read()
    made = _in_memory(book)
    for kind, values in (
        ("fight", ["staged", "workers_a", "winner", "minutes", "when_earliest"]),
        ("trial", ["when_instant", "watched_s", "contacts", "ended"]),
        ("weather", ["when_instant", "rain_mm"]),
        ("colony", ["name"]),
    ):
        wanted, got = made[kind].select(values), read.table(kind).select(values)
        assert got.sort(values).equals(wanted.sort(values), null_equal=True), kind
    fight = read.table("fight").row(0, named=True)
    names = dict(read.table("colony").select("subject_id", "name").iter_rows())
    assert (names[fight["colony_a"]], names[fight["colony_b"]]) == ("C1", "C2")
    assert read.table("trial")["plant"].is_in(read.table("plant")["subject_id"].implode()).all()
    assert read.table("weather")["place"].null_count() == 0


def test_each_layer_has_its_own_name_and_stream() -> None:
    """Names and streams are never shared, and only what a question reads is drawn."""
    assert len({layer.code for layer in ALL}) == len({layer.number for layer in ALL}) == len(ALL)
    assert read_by(()) == ()
    assert all("survival" not in layer.questions for layer in read_by(("takeover",)))


@pytest.mark.parametrize("layer", ALL, ids=lambda layer: layer.code)
def test_a_layer_repeats_and_gives_true_values_of_its_questions(layer: Layer, book: Notebook) -> None:
    """The same study gives the same rows, and every true value belongs to a question that reads the layer."""
    once, again = layer.rows(book), layer.rows(book)
    assert all(once[kind].equals(again[kind], null_equal=True) for kind in once)
    true = list(layer.truth(DEFAULT, 1))
    assert {v.question for v in true} <= set(layer.questions)
    assert all(np.isfinite(v.value) for v in true)
