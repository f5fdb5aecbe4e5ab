"""One small invented study through every command, as a person would use them."""

import hashlib
import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.rooms.cli.small_study import CENSUS, made, read_json, run

from domatia.cli import commands


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """Make the study anew."""
    return made(tmp_path)


def finding(study: Path, code: str) -> dict[str, object]:
    """Give the one open finding of a check."""
    found = [f for f in read_json("check", study, code=1)["open"] if f["check"] == code]
    assert len(found) == 1
    return dict(found[0])


def codes(study: Path) -> list[str]:
    """Give the checks with open findings."""
    done = CliRunner().invoke(commands, ["check", str(study), "--json"])
    found = [f["check"] for f in json.loads(done.stdout)["open"]]
    assert done.exit_code == (1 if found else 0)
    return found


def record_of_death(study: Path) -> str:
    """Give the record of the visit that says "dead"."""
    where = finding(study, "back_from_the_dead")["where"]
    assert isinstance(where, list)
    return str(where[0]["record"])


def test_a_dry_run_writes_nothing(tmp_path: Path) -> None:
    """The file is the same to the last byte, and the run says what would come in."""
    study = made(tmp_path)
    (tmp_path / "census.csv").write_text(CENSUS.replace("50", "55"), encoding="utf-8")
    before = hashlib.sha256(study.read_bytes()).digest()
    done = run("import", study, tmp_path / "census.toml", "--dry-run")
    assert "7 visit" in done.output
    assert "nothing was written" in done.stderr
    assert hashlib.sha256(study.read_bytes()).digest() == before


def test_an_unchanged_table_brings_nothing(study: Path, tmp_path: Path) -> None:
    """Imported again, every row is as before."""
    receipt = read_json("import", study, tmp_path / "census.toml")["receipts"][0]
    assert receipt["added"] == {} or not any(receipt["added"].values())
    assert not any(receipt["revised"].values())
    assert receipt["unchanged"]["visit"] == 7
    assert (receipt["gone"], receipt["two_heads"]) == (0, 0)


def test_a_settled_finding_stays_settled_until_its_values_change(study: Path, tmp_path: Path) -> None:
    """Settled with a reason it is gone from the list; another date of the same visit opens it again."""
    key = str(finding(study, "back_from_the_dead")["key"])
    assert key in run("settle", study, key[:8], "--why", "it resprouted", "--author", "Ada").output
    assert "back_from_the_dead" not in codes(study)
    assert read_json("check", study)["settled"] == 1
    changed = CENSUS.replace("N1,2,102,2,2024-03-10", "N1,2,102,2,2024-03-12")
    (tmp_path / "census.csv").write_text(changed, encoding="utf-8")
    run("import", study, tmp_path / "census.toml")
    assert finding(study, "back_from_the_dead")["key"] != key


def test_settling_twice_or_without_reason_is_wrong_use(study: Path) -> None:
    """A settled finding is not open; an empty reason is none."""
    key = str(finding(study, "back_from_the_dead")["key"])
    assert "settled with a reason" in run("settle", study, key, "--why", " ", "--author", "Ada", code=2).stderr
    run("settle", study, key, "--why", "seen", "--author", "Ada")
    assert "0 open findings" in run("settle", study, key, "--why", "seen", "--author", "Ada", code=2).stderr


def test_a_correction_survives_the_same_table_and_is_in_the_log(study: Path, tmp_path: Path) -> None:
    """Dead corrected to not found: the finding goes, the import of the unchanged table brings nothing back."""
    record = record_of_death(study)
    run("correct", study, record, "status=not found", "--why", "misread the sheet", "--author", "Bram")
    assert "back_from_the_dead" not in codes(study)
    again = read_json("import", study, tmp_path / "census.toml")["receipts"][0]
    assert not any(again["revised"].values())
    assert "back_from_the_dead" not in codes(study)
    change = read_json("changes", study)[0]
    assert (change["author"], change["column"], change["before"], change["after"], change["why"]) == (
        "Bram", "status", "dead confirmed", "not found", "misread the sheet",
    )  # fmt: skip


def test_changed_in_the_file_and_by_hand_is_a_finding(study: Path, tmp_path: Path) -> None:
    """Two values of one visit stand beside each other until a person decides; the decision closes the finding."""
    record = record_of_death(study)
    run("correct", study, record, "status=not found", "--why", "misread", "--author", "Bram")
    (tmp_path / "census.csv").write_text(CENSUS.replace("-10,dead,", "-10,alive,"), encoding="utf-8")
    done = read_json("import", study, tmp_path / "census.toml")["receipts"][0]
    assert done["two_heads"] == 1
    two = finding(study, "two_values")
    assert "Bram" in str(two["found"])
    assert "census.csv" in str(two["found"])
    newest = read_json("changes", study)
    assert {c["after"] for c in newest} >= {"not found"}


def test_a_story_tells_tags_visits_ants_and_revisions(study: Path) -> None:
    """By place and tag; a tag borne in two places names both."""
    run("correct", study, record_of_death(study), "status=not found", "--why", "misread", "--author", "Bram")
    story = run("life", study, "N1/102").output
    for part in (
        "tag 102",
        "2024-01-10",
        "not found",
        "Rust",
        "height 41 cm",
        "Revisions:",
        "(replaced)",
        "census.csv",
    ):
        assert part in story
    told = read_json("life", study, "102")
    assert [e["when"] for e in told["events"]] == sorted(e["when"] for e in told["events"])
    both = run("life", study, "101", code=2).stderr
    assert "2 plants bear the tag '101'" in both
    assert "N1/101" in both
    assert "N2/101" in both
    assert "No plant bears the tag '999'" in run("life", study, "999", code=2).stderr


def test_a_withdrawn_record_no_longer_counts(study: Path) -> None:
    """The visit that said dead is withdrawn: the finding goes."""
    run("withdraw", study, record_of_death(study), "--why", "another plant", "--author", "Ada")
    assert "back_from_the_dead" not in codes(study)


def test_too_little_is_an_answer_of_its_own(study: Path) -> None:
    """Exit code 1, no effect, a sentence that says what is missing; wrong use is 2."""
    plain = read_json("answer", study, "survival", "--by", "place_name", code=1)
    assert (plain["answered"], plain["effects"]) == (False, [])
    assert plain["sentence"].startswith("Too little to answer: ")
    assert "--by" in run("answer", study, "survival", code=2).stderr
    assert "Did you mean survival?" in run("answer", study, "survial", code=2).stderr


def test_an_answer_is_kept_on_request_only(study: Path) -> None:
    """Without --keep the file stays as it is; with it the answer is a record."""
    before = hashlib.sha256(study.read_bytes()).digest()
    run("answer", study, "survival", "--by", "place_name", code=1)
    assert hashlib.sha256(study.read_bytes()).digest() == before
    run("answer", study, "survival", "--by", "place_name", "--keep", code=1)
    assert hashlib.sha256(study.read_bytes()).digest() != before


def test_reading_never_changes_the_file(study: Path) -> None:
    """Check, life, changes, questions, answer and report leave every byte, and no file beside the study."""
    beside = {p.name for p in study.parent.iterdir()}
    before = hashlib.sha256(study.read_bytes()).digest()
    run("check", study, code=1)
    run("life", study, "102")
    run("changes", study)
    run("questions", study)
    run("answer", study, "growth", "--by", "place_name", code=1)
    assert hashlib.sha256(study.read_bytes()).digest() == before
    assert {p.name for p in study.parent.iterdir()} == beside


def test_a_study_that_may_only_be_read_answers(study: Path) -> None:
    """File and folder without the right to write: reading commands work as before."""
    study.chmod(0o444)
    study.parent.chmod(0o555)
    try:
        run("check", study, code=1)
        run("answer", study, "survival", "--by", "place_name", code=1)
        assert read_json("questions", study)
    finally:
        study.parent.chmod(0o755)


def test_a_copy_is_the_same_study(study: Path, tmp_path: Path) -> None:
    """The copy tells the same findings; an existing file is not overwritten."""
    run("copy", study, tmp_path / "stick.domatia")
    assert read_json("check", tmp_path / "stick.domatia", code=1) == read_json("check", study, code=1)
    run("copy", study, tmp_path / "stick.domatia", code=2)


def test_two_entries_are_compared_and_settled(tmp_path: Path) -> None:
    """One cell differs: it is listed, decided, and the settled table holds the decision."""
    first, second = tmp_path / "ada.csv", tmp_path / "bram.csv"
    first.write_text("line,tag,height\n1,7,50\n2,8,60\n", encoding="utf-8")
    second.write_text("line,tag,height\n2,8,66\n1,7,50\n", encoding="utf-8")
    asked = tmp_path / "decide.csv"
    done = run("compare", first, second, "--key", "line", "--out", asked)
    assert done.output.startswith("1 cells differ and 0 rows stand in one entry only.")
    rows = asked.read_text(encoding="utf-8").splitlines()
    assert len(rows) == 2
    asked.write_text("\n".join([rows[0], rows[1] + "66"]) + "\n", encoding="utf-8")
    run("compare", first, second, "--key", "line", "--decided", asked, "--out", tmp_path / "settled.csv")
    assert "66" in (tmp_path / "settled.csv").read_text(encoding="utf-8")
    assert "60" not in (tmp_path / "settled.csv").read_text(encoding="utf-8")
