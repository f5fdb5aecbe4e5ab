"""What the crew brings home."""

import time

import numpy as np
import polars as pl
import pytest

from domatia.lifecycle.crew import ALIVE, DEAD, NOT_FOUND, NOT_VISITED
from domatia.lifecycle.life import between_months
from domatia.lifecycle.observe import Notebook, keep_notebook, observe
from domatia.lifecycle.spec import DEFAULT
from domatia.model import StudyData, fields_of, table_schema


@pytest.fixture(scope="module")
def book() -> Notebook:
    """One default study with everything that truly happened."""
    return keep_notebook(DEFAULT, 20)


@pytest.fixture(scope="module")
def data() -> StudyData:
    """Give the same study as its crew holds it."""
    return observe(DEFAULT, 20)


def _near(share: float, wanted: float, number: int) -> bool:
    return abs(share - wanted) < 4.5 * float(np.sqrt(wanted * (1 - wanted) / number)) + 1e-12


def test_tables_have_the_shape_of_the_model(data: StudyData) -> None:
    """Every table has the schema of its kind, unique ids, sorted subjects, and no needed value missing."""
    for kind, table in data.tables.items():
        assert table.schema == table_schema(kind)
        assert table.height > 0
        assert table["subject_id"].is_sorted()
        assert table["subject_id"].n_unique() == table.height
        assert table["record_id"].n_unique() == table.height
        for f in fields_of(kind):
            if f.needed:
                assert table[f.stored_columns[0]].null_count() == 0, (kind, f.column)


def test_links_lead_somewhere_and_choices_are_allowed(data: StudyData) -> None:
    """Every link names a subject of its kind; every choice is one of the field's; numbers lie in their range."""
    for kind, table in data.tables.items():
        for f in fields_of(kind):
            found = table[f.stored_columns[0]].drop_nulls()
            if f.type == "link" and f.target:
                assert found.is_in(data.table(f.target)["subject_id"].to_list()).all(), (kind, f.column)
            if f.type == "choice":
                assert set(found) <= set(f.choices), (kind, f.column)
            if f.low is not None and found.len():
                assert float(found.min()) >= f.low  # type: ignore[arg-type]
            if f.high is not None and found.len():
                assert float(found.max()) <= f.high  # type: ignore[arg-type]


def test_it_repeats_exactly() -> None:
    """The same seed and replicate give the same tables, another replicate others."""
    small = DEFAULT.sized(4, 24)
    a, b, c = observe(small, 3, 1), observe(small, 3, 1), observe(small, 3, 2)
    assert a.study_id == b.study_id != c.study_id
    for kind in a.tables:
        assert a.table(kind).equals(b.table(kind))
    assert not a.table("visit").equals(c.table("visit"))


def test_statuses_fit_what_happened(book: Notebook) -> None:
    """Nobody is seen alive after death or confirmed dead before it, and nobody is visited after that."""
    v, life = book.visits, book.life
    day = life.rounds.day[v.round_, life.stand.block[v.plant]]
    lives = life.death_day[v.plant] > day
    assert lives[v.status == ALIVE].all() or (v.round_[(v.status == ALIVE) & ~lives] == 0).all()
    assert not lives[v.status == DEAD].any()
    confirmed = np.full(life.stand.size, 999)
    np.minimum.at(confirmed, v.plant[v.status == DEAD], v.round_[v.status == DEAD])
    assert (v.round_ <= confirmed[v.plant]).all()


def test_errors_come_at_the_stated_rates(book: Notebook) -> None:
    """Missed plants, skipped blocks, looks not taken, remeasures, height errors and lost tags: within 4.5 errors."""
    v, life, crew = book.visits, book.life, book.spec.crew
    day = life.rounds.day[v.round_, life.stand.block[v.plant]]
    sought = (life.death_day[v.plant] > day) & (v.repeat_of < 0) & (v.status != NOT_VISITED) & (v.round_ > 0)
    missed = v.status[sought] == NOT_FOUND
    assert _near(float(missed.mean()), crew.not_found, int(sought.sum()))
    seen = (v.status == ALIVE) & (v.repeat_of < 0)
    later = seen & (v.round_ > 0)
    # a crew that misses fewer than it looks: both come from independent draws
    assert _near(float((~v.looked[later]).mean()), crew.not_looked, int(later.sum()))
    assert _near(float((v.repeat_of >= 0).sum() / seen.sum()), crew.remeasured, int(seen.sum()))
    blocks = life.rounds.searched[1:]
    assert _near(float((blocks == 0).mean()), crew.block_skipped, blocks.size)
    true = between_months(life.log_height, v.plant, day.astype(float))
    error = np.log(v.height_cm[seen]) - true[seen]
    tall = np.exp(true[seen]) > 50
    assert float(error[tall].std()) == pytest.approx(crew.height_error, rel=0.05)
    assert abs(float(error[tall].mean())) < 0.001
    replaced = (book.tags.former >= 0).sum()
    assert _near(replaced / later.sum(), crew.tag_lost, int(later.sum()))


def test_ants_are_named_as_they_are_but_for_rare_slips(book: Notebook) -> None:
    """The ant that is written lives there, in all but about the stated share of looks."""
    v, life, kinds = book.visits, book.life, len(book.spec.ants)
    day = life.rounds.day[v.round_, life.stand.block[v.plant]]
    truly = life.changes.at(v.plant, day.astype(np.float64) - 1e-3)
    ant = np.where(truly > kinds, truly - kinds, truly)
    held = v.looked & (ant > 0)
    wrong = float((v.taxon[held] != ant[held]).mean())
    assert _near(wrong, book.spec.crew.misnamed, int(held.sum()))
    assert (v.taxon[v.looked & (ant == 0)] == 0).all()


def test_tags_follow_one_another(book: Notebook) -> None:
    """No number is given twice; each plant bears one tag at the end; a replaced tag ends when the next begins."""
    t = book.tags
    assert len(np.unique(t.number)) == len(t.number)
    assert np.bincount(t.plant[t.last < 0]).tolist() == [1] * book.life.stand.size
    ended = dict(zip(t.number[t.last >= 0].tolist(), t.last[t.last >= 0].tolist(), strict=True))
    for former, first in zip(t.former[t.former >= 0].tolist(), t.first[t.former >= 0].tolist(), strict=True):
        assert ended[former] == first


def test_leaves_lose_area_and_vanish_once(data: StudyData) -> None:
    """A marked leaf that has vanished is not scored again; what is present has a score, what is gone has none."""
    marked = data.table("leaf").filter(pl.col("chosen") == "marked")
    assert marked.filter((pl.col("fate") == "present") != pl.col("missing_pct").is_not_null()).height == 0
    ordered = marked.sort("plant", "leaf", "when_earliest")
    gone = ordered.with_columns(before=pl.col("fate").shift(1).over("plant", "leaf"))
    assert gone.filter(pl.col("before").is_not_null() & (pl.col("before") != "present")).height == 0
    assert {"abscised", "eaten", "unknown"} <= set(marked["fate"])


def test_every_removal_stands_in_the_interventions(data: StudyData) -> None:
    """Each removal plant was treated on its first day, each sham plant handled, no control touched."""
    role = data.table("treatment").select(treatment="subject_id", role="role")
    given = data.table("assignment").join(role, on="treatment")
    done = data.table("intervention").join(given.select("plant", "role", "start_earliest"), on="plant")
    assert set(done["role"]) == {"removal", "sham"}
    first = done.filter(pl.col("when_earliest") == pl.col("start_earliest"))
    assert first["plant"].n_unique() == given.filter(pl.col("role") != "control").height
    assert (done.filter(pl.col("kind") == "sham")["role"] == "sham").all()


def test_fast_enough_for_calibration() -> None:
    """A study of 2,000 plants and 19 rounds is in memory in under a second and a half."""
    begun = time.process_time()
    observe(DEFAULT, 99)
    assert time.process_time() - begun < 1.5
