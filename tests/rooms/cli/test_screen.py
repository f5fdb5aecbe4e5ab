"""No command writes more than a screen without being asked, and what is cut is counted."""

import pytest
from click.testing import CliRunner

from domatia.cli import commands
from domatia.cli.showing import LINES, show_findings, show_table
from domatia.lifecycle import DEFAULT, observe
from domatia.model import Ask, Finding, StudyData, Where
from domatia.questions import ALL, answer
from domatia.tasks import asking

SCREEN_LINES = 40


@pytest.fixture(scope="module")
def data() -> StudyData:
    """Simulate a study."""
    return observe(DEFAULT.sized(8, 24), 7)


@pytest.mark.parametrize("code", [q.code for q in ALL])
def test_an_answer_fits_a_screen(code: str, data: StudyData, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sentence, effects, rows, doubts: at most 40 lines of at most 120 signs; what does not fit is counted."""
    found = answer(code, data, Ask(draws=2))
    monkeypatch.setattr(asking, "ask_study", lambda *a, **k: found)
    done = CliRunner().invoke(commands, ["answer", "any", code])
    lines = done.output.splitlines()
    assert done.exit_code == 0
    assert len(lines) <= SCREEN_LINES, done.output
    assert max(map(len, lines)) <= 120
    told = " ".join(done.output.split())
    missing = [d for d in found.doubts if " ".join(d.text.split()) not in told]
    assert all(d.severity == "note" for d in missing)
    assert not missing or f"and {len(missing)} more note" in told


def many(checks: int, each: int) -> list[Finding]:
    """Make findings of many checks with long texts."""
    where = (Where(label="plant 7 in N1", file="census.csv", row=3),)
    text = "A long sentence about what was found there. " * 3
    return [
        Finding(f"check_{i:02}", "error", where, text, text, text, (bytes([n]),))
        for i in range(checks)
        for n in range(each)
    ]


@pytest.mark.parametrize("checks", [1, 5, 20, 33, 34, 60])
def test_findings_fit_a_screen(checks: int, capsys: pytest.CaptureFixture[str]) -> None:
    """Each check has its line as long as there is room; what is not shown is counted."""
    show_findings(many(checks, 3), every=False)
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= LINES + 1
    shown = sum(line.startswith("error") for line in lines)
    assert shown == min(checks, LINES - 1)
    if checks > shown:
        assert f"… and {checks - shown} more check" in lines[-1]
    show_findings(many(2, 50), every=True)
    assert len(capsys.readouterr().out.splitlines()) > 100


def test_a_table_counts_the_rows_it_does_not_show(capsys: pytest.CaptureFixture[str], data: StudyData) -> None:
    """The first rows and the number of the others."""
    table = data.table("visit").select("status", "height_cm")
    show_table(table, most=5)
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 8
    assert lines[-1] == f"  … and {table.height - 5:,} more; --all shows them."
