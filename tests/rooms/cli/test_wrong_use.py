"""Wrong use: exit code 2, one message without a traceback, what is allowed and what to do next."""

from pathlib import Path

import pytest
from tests.rooms.cli.small_study import made, run


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make the study once; no test here may write to it."""
    return made(tmp_path_factory.mktemp("wrong"))


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("answer", "STUDY", "survival", "--by", "habitt"), "Did you mean habitat?"),
        (("answer", "STUDY", "growth", "--by", "place_name", "--adjust", "colour"), "--adjust colour"),
        (("answer", "STUDY", "survival", "--seed", "-1", "--by", "place_name"), "a seed of 0 or more"),
        (("answer", "STUDY", "survival", "--draws", "0", "--by", "place_name"), "2 draws or more"),
        (("check", "STUDY", "--only", "nonsense"), "nonsense"),
        (("check", "STUDY", "--manual", "tag_flop"), "Did you mean tag_flip"),
        (("report", "STUDY", "FOLDER/out", "--question", "nonsense"), "There is no question 'nonsense'"),
        (("report", "STUDY", "FOLDER/census.csv"), "is a file"),
        (("correct", "STUDY", "ffffffff", "status=alive", "--why", "x", "--author", "A"), "ffffffff"),
        (("correct", "STUDY", "ffffffff", "status", "--why", "x", "--author", "A"), "field=value"),
        (("settle", "STUDY", "ffff", "--why", "x", "--author", "A"), "0 open findings"),
        (("import", "STUDY", "FOLDER/none.toml"), "There is no mapping file"),
        (("propose", "FOLDER/none.csv"), "none.csv"),
        (("propose", "FOLDER/census.csv", "--out", "FOLDER/census.toml"), "exists"),
        (("new", "STUDY", "--title", "Again"), "already"),
        (("new", "FOLDER/other", "--title", "Other", "--profile", "holow-stem"), "Did you mean hollow-stem?"),
        (("new", "FOLDER/other", "--title", "Other", "--time-zone", "Mars/Base"), "Mars/Base"),
        (("check", "FOLDER/none.domatia"), "domatia new"),
        (("check", "FOLDER/census.csv"), "census.csv"),
        (("demo",), ""),
    ],
)
def test_wrong_use_is_told_in_a_sentence(words: tuple[str, ...], told: str, study: Path) -> None:
    """What was asked, what is allowed, what to do; never a traceback."""
    if words == ("demo",):
        words = ("demo", "FOLDER/census.csv")
        told = "census.csv"
    full = [w.replace("STUDY", str(study)).replace("FOLDER", str(study.parent)) for w in words]
    done = run(*full, code=2)
    assert told in done.stderr.replace("\n", " ")
    assert "Traceback" not in done.output


def a_height(study: Path) -> str:
    """Give the record id of a visit."""
    import domatia

    return str(domatia.open_study(str(study)).data().table("visit")["record_id"][0].hex())


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("status=gone", "not found"),
        ("height_cm=nan", "number"),
        ("height_cm=inf", "height_cm"),
        ("height_cm=-5", "visit.height_cm cannot be -5"),
        ("shoots=2.5", "a whole number"),
        ("when=yesterday", "2003-10-17"),
        ("plant=zz", "32 hexadecimal digits"),
        ("colour=red", "A visit record has no field colour"),
    ],
)
def test_a_value_that_does_not_fit_is_refused(change: str, told: str, study: Path) -> None:
    """No change is written, and the message says what fits."""
    assert told in run("correct", study, a_height(study), change, "--why", "x", "--author", "A", code=2).stderr
    assert run("changes", study).output == "Nothing was changed.\n"
