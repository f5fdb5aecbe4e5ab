"""A study for a notebook or a script: the same tasks as the commands, as methods of one object."""

from dataclasses import dataclass
from html import escape
from pathlib import Path

import polars as pl

from domatia.model import Answer, Ask, StudyData
from domatia.tasks.asking import Askable, ask_everything, ask_study, list_questions
from domatia.tasks.checking import Checked, check_study
from domatia.tasks.effects_shown import effect_table
from domatia.tasks.keeping import Kept, kept_answers
from domatia.tasks.life import PlantLife, life_of
from domatia.tasks.opening import reading
from domatia.tasks.reporting import Reported, report


@dataclass(frozen=True)
class ShownAnswer:
    """An answer that shows itself in a notebook; `answer` holds the whole of it."""

    answer: Answer

    @property
    def sentence(self) -> str:
        """The answer in words."""
        return self.answer.sentence

    @property
    def effects(self) -> pl.DataFrame:
        """The effects with their intervals as a polars frame."""
        keep = ("name", "of", "against", "where", "estimate", "low", "high", "level", "unit")
        numbers = ("estimate", "low", "high", "level")
        schema = {k: pl.Float64() if k in numbers else pl.String() for k in keep}
        return pl.DataFrame([{k: getattr(e, k) for k in keep} for e in self.answer.effects], schema=schema)

    @property
    def doubts(self) -> pl.DataFrame:
        """What could mislead, as a polars frame."""
        return pl.DataFrame([{"grade": d.severity, "code": d.code, "doubt": d.text} for d in self.answer.doubts])

    def table(self, name: str) -> pl.DataFrame:
        """Give one of the answer's tables."""
        return self.answer.tables[name]

    def __repr__(self) -> str:
        return "\n".join([self.answer.asks, self.answer.sentence, *(f"- {d.text}" for d in self.answer.doubts)])

    def _repr_html_(self) -> str:
        from domatia.press.charts import as_svg

        picture = as_svg(self.answer.chart) if self.answer.chart is not None else ""
        doubts = "".join(f"<li>{escape(d.text)}</li>" for d in self.answer.doubts)
        asks, sentence = escape(self.answer.asks), escape(self.answer.sentence)
        return f"<h3>{asks}</h3><p><b>{sentence}</b></p>{picture}{self._effects_html()}<ul>{doubts}</ul>"

    def _effects_html(self) -> str:
        if not self.answer.effects:
            return ""
        table = effect_table(self.answer.effects)
        head = "".join(f"<th>{escape(c)}</th>" for c in table.columns)
        rows = "".join(f"<tr>{''.join(f'<td>{escape(str(v))}</td>' for v in r)}</tr>" for r in table.iter_rows())
        return f"<table><tr>{head}</tr>{rows}</table>"


class Study:
    """One study, opened for reading.

    Parameters
    ----------
    where : str or path
        The study file, or the address of a PostgreSQL database.

    Raises
    ------
    domatia.model.errors.CannotOpen
        If there is no such study or it cannot be read.
    """

    def __init__(self, where: str | Path) -> None:
        self.where = str(where)
        with reading(self.where) as study:
            self.title = study.title

    def __repr__(self) -> str:
        return f"Study({self.where!r}): {self.title}"

    def data(self) -> StudyData:
        """Give all current records, one polars frame a record kind."""
        with reading(self.where) as study:
            return study.read()

    def questions(self) -> tuple[Askable, ...]:
        """Tell which questions can be answered, and what the others lack."""
        return list_questions(self.where)

    def answer(
        self, question: str, ask: Ask | None = None, *, by: str = "", adjust: tuple[str, ...] = (), seed: int = 1
    ) -> ShownAnswer:
        """Ask a question, put by `ask` or else by the three words that are most used."""
        put = ask if ask is not None else Ask(by=by, adjust=adjust, seed=seed)
        return ShownAnswer(ask_study(self.where, question, put))

    def answer_all(self, ask: Ask | None = None) -> tuple[ShownAnswer, ...]:
        """Ask every question that the study can be asked; `questions` says what the others lack."""
        return tuple(map(ShownAnswer, ask_everything(self.where, ask if ask is not None else Ask()).answers))

    def kept(self) -> tuple[Kept, ...]:
        """List the answers kept in the study, and say which are stale."""
        return kept_answers(self.where)

    def check(self) -> Checked:
        """Run all checks."""
        return check_study(self.where)

    def life(self, plant: str) -> PlantLife:
        """Tell one plant's story."""
        return life_of(self.where, plant)

    def report(self, into: str | Path, ask: Ask | None = None) -> Reported:
        """Write the report into a folder."""
        return report(self.where, into, ask)
