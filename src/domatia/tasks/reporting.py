"""Making the report of a study: one page and one paper from the same blocks."""

from dataclasses import dataclass, replace
from datetime import date
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from platform import python_version

import polars as pl

from domatia.model import Answer, Ask, StudyData, WrongUse
from domatia.press.charts import as_svg, font_folder
from domatia.press.typeset import typeset
from domatia.questions import ALL, answer, lacking, question
from domatia.report.as_html import as_html
from domatia.report.as_typst import as_typst
from domatia.report.compose import Told, compose
from domatia.tasks.opening import Tick, findings_of, reading, silent

LIBRARIES = ("numpy", "scipy", "polars", "glmm", "sqlalchemy", "typst", "vl-convert-python")


@dataclass(frozen=True)
class Reported:
    """Where the report lies, and the answers in it."""

    html: Path
    pdf: Path
    answers: tuple[Answer, ...]


def libraries() -> dict[str, str]:
    """Give names and versions of the software behind the numbers."""
    found = {"Python": python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def askable(data: StudyData, ask: Ask, wanted: tuple[str, ...]) -> tuple[list[str], dict[str, tuple[str, ...]]]:
    """Part the questions into those that can be asked and those that lack something."""
    for code in wanted:
        question(code)
    ready, missing = [], {}
    for q in ALL:
        if wanted and q.code not in wanted:
            continue
        lacks = lacking(q, data, ask.by)
        if lacks:
            missing[q.asks] = lacks
        else:
            ready.append(q.code)
    return ready, missing


def report(
    where: str,
    into: str | Path,
    ask: Ask | None = None,
    *,
    wanted: tuple[str, ...] = (),
    truth: pl.DataFrame | None = None,
    tick: Tick = silent,
) -> Reported:
    """Write the report of a study as one HTML page and one PDF.

    Parameters
    ----------
    where : str
        The study.
    into : path
        Folder; it is made if need be. Earlier reports in it are replaced, each whole.
    ask : Ask, optional
        How all questions are put.
    wanted : tuple of str
        Codes of the questions; all that can be answered if empty.
    truth : polars.DataFrame, optional
        For an invented study, the table that compares answers with truth.
    tick : callable

    Raises
    ------
    WrongUse
        If `into` is a file, or a question does not exist.
    """
    put = ask if ask is not None else Ask()
    folder = Path(into)
    if folder.exists() and not folder.is_dir():
        raise WrongUse(f"{folder} is a file, not a folder", next_step="Give the name of a folder for the report.")
    with reading(where) as study:
        tick("reading the study", 0, 1)
        data = study.read()
    tick("checking", 0, 1)
    still_open, settled = findings_of(data)
    data = replace(data, findings=still_open)
    ready, missing = askable(data, put, wanted)
    answers = []
    for i, code in enumerate(ready):
        tick(f"answering {code}", i, len(ready))
        answers.append(answer(code, data, put))
    return print_report(
        Told(data, still_open, settled, tuple(answers), missing, truth, date.today().isoformat(), libraries()),
        folder,
        tick,
    )


def print_report(told: Told, folder: Path, tick: Tick = silent) -> Reported:
    """Write page and paper from what is to be told."""
    document = compose(told)
    drawn: dict[int, str] = {}

    def draw(chart: dict[str, object]) -> str:
        if id(chart) not in drawn:
            drawn[id(chart)] = as_svg(chart)
        return drawn[id(chart)]

    folder.mkdir(parents=True, exist_ok=True)
    tick("writing the page", 0, 2)
    html, pdf = folder / "report.html", folder / "report.pdf"
    part = folder / "report.html.part"
    part.write_text(as_html(document, draw, font_folder()), encoding="utf-8")
    part.replace(html)
    tick("printing", 1, 2)
    source, pictures = as_typst(document, draw)
    typeset(source, pictures, pdf)
    tick("done", 2, 2)
    return Reported(html, pdf, told.answers)
