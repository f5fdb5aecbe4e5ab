"""The demo: an invented study as a crew's messy tables, brought in, checked, answered and reported, with its truth."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import polars as pl

from domatia.intake.write_table import write_table
from domatia.lifecycle import DEFAULT, PROFILE_TEXT, TrueValue, messy_tables, truth
from domatia.model import Answer, Ask, WrongUse
from domatia.questions import answer
from domatia.report.compose import Told
from domatia.store import create_study
from domatia.tasks.importing import import_tables
from domatia.tasks.opening import Tick, findings_of, reading, silent
from domatia.tasks.reporting import Reported, askable, libraries, print_report

TRUTH_PLANTS = 300_000
_TITLE = "The lantern-tree study (invented)"
_ADVANCED = ("intensity",)


@dataclass(frozen=True)
class Demo:
    """What the demo made.

    Attributes
    ----------
    study, tables : pathlib.Path
        The study file, and the folder of the crew's tables with their mappings.
    report : Reported
    lines : tuple of str
        What happened, for a person.
    """

    study: Path
    tables: Path
    report: Reported
    lines: tuple[str, ...]


def make_demo(folder: str | Path, seed: int = 1, tick: Tick = silent) -> Demo:
    """Make an invented study in a folder and run the main job on it.

    Parameters
    ----------
    folder : path
        It must not hold a study yet.
    seed : int
    tick : callable

    Raises
    ------
    WrongUse
        If the folder holds a demo already.
    """
    here = Path(folder)
    study, tables = here / "lantern.domatia", here / "tables"
    if study.exists():
        raise WrongUse(f"{study} exists", next_step="Give another folder, or remove the old demo first.")
    tick("living through three years", 0, 5)
    tables.mkdir(parents=True, exist_ok=True)
    made = messy_tables(DEFAULT, seed)
    for t in made:
        write_table(tables / t.file, t.rows, delimiter=t.delimiter if t.file.endswith((".csv", ".tsv", ".txt")) else "")
        (tables / t.mapping_file).write_text(t.mapping, encoding="utf-8")
    create_study(study, _TITLE, profile_text=PROFILE_TEXT, time_zone="UTC").close()
    lines = []
    for i, t in enumerate(made):
        tick(f"importing {t.file}", i, len(made))
        done = import_tables(str(study), str(tables / t.mapping_file), (str(tables / t.file),), author="the crew")
        new = sum(sum(r.added.values()) for _, r in done.receipts)
        lines.append(f"{t.file}: {new:,} records, {len(done.findings):,} findings about the table")
    return _answered(study, tables, here, seed, (lines, tick))


def _answered(study: Path, tables: Path, here: Path, seed: int, shown: tuple[list[str], Tick]) -> Demo:
    lines, tick = shown
    with reading(str(study)) as opened:
        data = opened.read()
    tick("checking", 0, 1)
    still_open, settled = findings_of(data)
    lines.append(f"{len(still_open):,} findings are open; domatia check {study} shows them")
    data = replace(data, findings=still_open)
    ask = Ask(seed=seed)
    ready, missing = askable(data, ask, ())
    answers = []
    for i, code in enumerate(ready):
        tick(f"answering {code}", i, len(ready))
        answers.append(answer(code, data, ask))
    tick("counting the truth", 0, 1)
    known = truth(DEFAULT, seed, TRUTH_PLANTS)
    write_table(here / "truth.csv", truth_table(known))
    compared = compare_with_truth(answers, known)
    told = Told(data, still_open, settled, tuple(answers), missing, compared, date.today().isoformat(), libraries())
    report = print_report(told, here, tick)
    lines += [a.sentence for a in answers]
    held = int(compared["held"].sum())
    lines.append(f"Of {compared.height} intervals with a known truth {held} hold it; the report's last page lists them")
    return Demo(study, tables, report, tuple(lines))


def truth_table(known: Mapping[str, TrueValue]) -> pl.DataFrame:
    """Write the truths as a table of text."""
    rows = [(v.question, v.name, v.of, v.against, v.where, f"{v.value:.8g}", v.unit) for v in known.values()]
    return pl.DataFrame(rows, schema=["question", "effect", "of", "against", "where", "truth", "unit"], orient="row")


def compare_with_truth(answers: Sequence[Answer], known: Mapping[str, TrueValue]) -> pl.DataFrame:
    """Put each effect beside its truth, where there is one.

    Returns
    -------
    polars.DataFrame
        `question`, `effect`, `of`, `against`, `where`, `truth`, `answer`, `low`, `high`, `held`.
    """
    rows = []
    for a in answers:
        for e in a.effects:
            true = known.get("/".join((a.question, e.name, e.of, e.against, e.where)))
            if true is not None and e.name not in _ADVANCED:
                held = e.low <= true.value <= e.high
                named = (a.question, e.name.replace("_", " "), e.of, e.against, e.where)
                rows.append((*named, true.value, e.estimate, e.low, e.high, held))
    schema = ["question", "effect", "of", "against", "where", "truth", "answer", "low", "high", "held"]
    return pl.DataFrame(rows, schema=schema, orient="row")
