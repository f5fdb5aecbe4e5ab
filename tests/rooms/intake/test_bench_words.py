"""The benches of importing understand their own words only, and never make a file of one."""

from pathlib import Path

import pytest
from bench import __main__ as benches
from bench import kill_import, store
from bench.postgres_server import study_address


def test_the_bench_of_the_store_measures_both_databases(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """`python -m bench store ADDRESS 50`: a file in a temporary folder, then the address; nothing where it is run."""
    asked: list[tuple[str, int]] = []
    monkeypatch.setattr(store, "_apart", lambda where, visits: asked.append((where, visits)))
    monkeypatch.chdir(tmp_path)
    assert benches.main(["store", "postgresql://crew@/postgres", "50"]) == 0
    (file, visits), (address, same) = asked
    assert file.endswith("bench.domatia")
    assert not Path(file).is_relative_to(tmp_path)
    assert address.startswith("postgresql://crew@/postgres?study=bench")
    assert visits == same == 50
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words", [["store", "store"], ["store", "1", "2"], ["kills", "many"], ["kills", "a://", "b://"]]
)
def test_other_words_are_refused(words: list[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A word that is no number and no address gives the usage and makes nothing."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit, match="usage: python -m bench"):
        benches.main(words)
    assert list(tmp_path.iterdir()) == []


def test_kills_take_an_address(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each moment has a study of its own on the server that is named, and one more is never killed."""
    given: list[list[str] | None] = []

    def run(moments: int, seed: int, folder: Path, places: list[str] | None = None) -> kill_import.Tally:
        given.append(places)
        return kill_import.Tally(moments, 0, 0, moments)

    monkeypatch.setattr(kill_import, "run", run)
    assert kill_import.kills(["3", "postgresql://crew@/postgres?study=k"]).moments == 3
    assert kill_import.kills([]).moments == 200
    assert given == [[f"postgresql://crew@/postgres?study=k{n}" for n in range(4)], None]


def test_a_study_named_in_an_address_stays() -> None:
    """A study's name is added where there is none."""
    assert study_address("postgresql://h/d?study=mine", "other") == "postgresql://h/d?study=mine"
    assert study_address("postgresql://h/d?host=x", "s") == "postgresql://h/d?host=x&study=s"
    assert study_address("postgresql://h/d", "s") == "postgresql://h/d?study=s"
