"""Every check has a manual page and cases of both sorts, and finds in each case just what it should."""

import ast
import inspect
import random
import sys
import tomllib
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

import domatia.checks
from domatia.checks import ALL, run_checks
from domatia.model import Check, Finding, Profile, StudyData, WrongUse, as_table, fields_of
from domatia.model.dates import parse_iso
from domatia.model.fields import Field
from domatia.model.identity import named_id

STUDY = b"a study of cases"
CASES = Path(__file__).parent / "cases"
ROOM = Path(inspect.getfile(domatia.checks)).parent
HEADINGS = ("What is wrong", "An example that fails", "The better form", "What it does not see", "Source")
GRAVEST_FIRST = ("error", "warning", "note")
SCALARS = ("says", "finds", "profile")


@dataclass(frozen=True)
class Case:
    """One small study, and what one check must find in it."""

    code: str
    says: str
    raw: dict[str, Any]

    @property
    def finds(self) -> list[dict[str, Any]]:
        """The findings that there must be."""
        found: list[dict[str, Any]] = self.raw["finds"]
        return found


def _cases() -> list[Case]:
    return [
        Case(file.stem, raw["says"], raw)
        for file in sorted(CASES.glob("*.toml"))
        for raw in tomllib.loads(file.read_text(encoding="utf-8"))["case"]
    ]


def _subject(kind: str, name: str) -> bytes:
    return STUDY if kind == "study" else named_id(STUDY, kind, name.partition("#")[0])


def _record(kind: str, name: str, revision: bytes = b"first") -> bytes:
    return named_id(STUDY, kind, name, revision)


def _days(text: str) -> tuple[date | None, date | None, str | None]:
    first, slash, last = text.partition("/")
    if not slash:
        d = parse_iso(text)
        return d.earliest, d.latest, d.instant
    return parse_iso(first).earliest if first else None, parse_iso(last).latest if last else None, None


def _values(field: Field, text: str) -> dict[str, object]:
    if field.type in ("date", "instant"):
        return dict(zip(field.stored_columns, _days(text) if text else (None, None, None), strict=False))
    if not text:
        return {field.column: None}
    if field.type == "link":
        kind, _, name = text.rpartition(" ")
        return {field.column: _subject(kind or field.target, name)}
    if field.type in ("integer", "number"):
        return {field.column: float(text)}
    return {field.column: text == "yes" if field.type == "yes_no" else text}


def _table(kind: str, text: str) -> pl.DataFrame:
    lines = [[cell.strip() for cell in line.split("|")] for line in text.strip().splitlines()]
    header, rows = lines[0], lines[1:]
    fields = {f.column: f for f in fields_of(kind)}
    found: list[dict[str, object]] = []
    for number, row in enumerate(rows, start=2):
        name, *cells = row
        values: dict[str, object] = {
            "subject_id": _subject(kind, name),
            "record_id": _record(kind, name),
            "origin_file": f"{kind}.csv",
            "origin_row": number,
        }
        for column, cell in zip(header[1:], cells, strict=True):
            values |= _values(fields[column], cell)
        found.append(values)
    return as_table(kind, pl.DataFrame(found, infer_schema_length=None))


def _study(case: Case) -> StudyData:
    profile = dict(case.raw.get("profile", {}))
    profile["ranges"] = {k: tuple(v) for k, v in profile.get("ranges", {}).items()}
    kinds = [k for k in case.raw if k not in SCALARS and not k.endswith("_undecided")]
    return StudyData(
        study_id=STUDY,
        name="cases",
        profile=Profile(**profile),
        tables={k: _table(k, case.raw[k]) for k in kinds},
        undecided={
            k.removesuffix("_undecided"): _table(k.removesuffix("_undecided"), case.raw[k])
            for k in case.raw
            if k.endswith("_undecided")
        },
    )


def _shuffled(data: StudyData, seed: int) -> StudyData:
    rng = random.Random(seed)
    tables = {}
    for kind, table in data.tables.items():
        order = list(range(table.height))
        rng.shuffle(order)
        tables[kind] = table[order]
    return replace(data, tables=tables)


def _ids(names: list[str], make: Any) -> list[bytes]:
    return sorted(make(*name.split(" ", 1)) for name in names)


@pytest.mark.parametrize("case", _cases(), ids=lambda c: f"{c.code}: {c.says}")
def test_case_gives_just_the_findings_it_names(case: Case) -> None:
    """A check finds in a case what the case says: so many findings, on these things and records, so grave."""
    found = run_checks(_study(case), [case.code])
    told = [(f.severity, sorted(f.subjects), sorted({w.record_id for w in f.where})) for f in found]
    wanted = [(f["severity"], _ids(f["subjects"], _subject), _ids(f["records"], _record)) for f in case.finds]
    assert sorted(told) == sorted(wanted), [str(f) for f in found]
    for phrase in [p for f in case.finds for p in f.get("tells", [])]:
        assert any(phrase in str(f) for f in found), (phrase, [str(f) for f in found])


@pytest.mark.parametrize("case", [c for c in _cases() if c.finds], ids=lambda c: f"{c.code}: {c.says}")
def test_findings_do_not_depend_on_the_order_of_rows(case: Case) -> None:
    """The same records in another order give equal findings in equal order."""
    data = _study(case)
    plain = run_checks(data, [case.code])
    for seed in range(3):
        assert run_checks(_shuffled(data, seed), [case.code]) == plain


def _records(data: StudyData, kind: str) -> set[bytes]:
    tables = [data.table(kind), *(data.undecided[k] for k in data.undecided if k == kind)]
    return {record for table in tables for record in table["record_id"].to_list()}


@pytest.mark.parametrize("case", [c for c in _cases() if c.finds], ids=lambda c: f"{c.code}: {c.says}")
def test_findings_are_whole(case: Case) -> None:
    """A finding names its places with file, row and a label, and speaks in whole phrases."""
    check = next(c for c in ALL if c.code == case.code)
    for finding in run_checks(_study(case), [case.code]):
        assert finding.code == case.code
        assert GRAVEST_FIRST.index(finding.severity) >= GRAVEST_FIRST.index(check.severity)
        assert finding.subjects
        assert finding.values
        assert finding.where
        assert all(w.file == f"{w.kind}.csv" and w.row and w.label for w in finding.where)
        assert all(w.record_id in _records(_study(case), w.kind) for w in finding.where)
        for phrase in (finding.found, finding.expected, finding.remedy):
            assert phrase.endswith("."), phrase
            assert phrase[0].isupper() or phrase[0].isdigit(), phrase
            assert "None" not in phrase, phrase
            assert "null" not in phrase, phrase


@pytest.mark.parametrize("case", [c for c in _cases() if c.finds], ids=lambda c: f"{c.code}: {c.says}")
def test_key_outlives_a_revision_with_the_same_values(case: Case) -> None:
    """A new revision of the same values leaves the finding's key as it was, so that a settlement holds."""
    data = _study(case)
    again = replace(
        data,
        tables={
            k: t.with_columns(
                pl.Series("record_id", [named_id(STUDY, k, i.hex(), b"2") for i in t["subject_id"]], dtype=pl.Binary)
            )
            for k, t in data.tables.items()
        },
    )
    before, after = run_checks(data, [case.code]), run_checks(again, [case.code])
    assert sorted(f.key for f in before) == sorted(f.key for f in after)
    assert len({f.key for f in before}) == len(before)


def test_key_changes_with_the_values_that_made_the_finding() -> None:
    """A corrected height makes another finding, so that an old settlement does not hide it."""
    case = next(c for c in _cases() if c.code == "shrinkage" and c.finds)
    data = _study(case)
    visits = data.table("visit").with_columns(
        pl.when(pl.col("height_cm") == 14).then(15.5).otherwise("height_cm").alias("height_cm")
    )
    changed = replace(data, tables={**data.tables, "visit": visits})
    (before,), (after,) = run_checks(data, ["shrinkage"]), run_checks(changed, ["shrinkage"])
    assert before.subjects == after.subjects
    assert before.key != after.key


def test_all_names_every_file_of_the_room_that_holds_a_check() -> None:
    """A check that is not listed would never run."""
    holding = {
        file.stem
        for file in ROOM.glob("*.py")
        if any(
            isinstance(n, ast.Assign) and ast.unparse(n.targets[0]) == "CHECK" for n in ast.parse(file.read_text()).body
        )
    }
    assert holding == {check.code for check in ALL}
    assert [check.code for check in ALL] == sorted(check.code for check in ALL)


def test_no_check_imports_another() -> None:
    """Checks share only the modules that hold no check."""
    codes = {check.code for check in ALL}
    for code in codes:
        imports = [
            n.module or ""
            for n in ast.walk(ast.parse((ROOM / f"{code}.py").read_text()))
            if isinstance(n, ast.ImportFrom)
        ]
        assert not {m.rpartition(".")[2] for m in imports} & codes, code


@pytest.mark.parametrize("check", ALL, ids=lambda c: c.code)
def test_manual_page_has_its_headings_in_order(check: Check) -> None:
    """The module's docstring says what is wrong, an example, the better form, blind spots and source."""
    page = inspect.getdoc(sys.modules[f"domatia.checks.{check.code}"]) or ""
    lines = page.splitlines()
    places = [lines.index(heading) for heading in HEADINGS]
    assert places == sorted(places)
    assert all(set(lines[at + 1]) == {"-"} and len(lines[at + 1]) == len(lines[at]) for at in places)
    assert lines[0].endswith(".")
    assert lines[0].removesuffix(".").lower().startswith(check.title.lower()[:12])


@pytest.mark.parametrize("check", ALL, ids=lambda c: c.code)
def test_check_has_cases_that_must_find_and_that_must_not(check: Check) -> None:
    """A check without a clean case might cry at everything; one without a dirty case might never speak."""
    cases = [c for c in _cases() if c.code == check.code]
    assert any(c.finds for c in cases)
    assert any(not c.finds for c in cases)


def test_case_files_belong_to_checks() -> None:
    """A case file whose check is gone would test nothing."""
    assert {file.stem for file in CASES.glob("*.toml")} == {check.code for check in ALL}


def test_unknown_check_is_refused_with_near_names() -> None:
    """Asking for a check that does not exist tells which one may have been meant."""
    with pytest.raises(WrongUse, match="Did you mean shrinkage"):
        run_checks(StudyData(STUDY, "empty", Profile(), {}), ["shrinkag"])


def test_empty_study_has_no_findings() -> None:
    """A study without records gives nothing to settle."""
    assert run_checks(StudyData(STUDY, "empty", Profile(), {})) == ()


def test_findings_come_gravest_first() -> None:
    """Errors stand before warnings before notes, then codes in order."""
    case = next(c for c in _cases() if c.code == "back_from_the_dead" and c.finds)
    found: tuple[Finding, ...] = run_checks(_study(case))
    rank = [(GRAVEST_FIRST.index(f.severity), f.code) for f in found]
    assert rank == sorted(rank)
    assert found
