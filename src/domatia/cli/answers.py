"""Commands for answers: questions, answer, report."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

import click

from domatia.cli.showing import LINES, aside, progress, quoted, say, show_table, wrapped

if TYPE_CHECKING:
    from domatia.model import Answer, Ask

PLANNED = {"planned": "Stated beforehand (planned).", "found later": "Not stated beforehand (found later)."}
LEAST_ROWS = 6
MOST_REASONS = 4


@click.command(short_help="Which questions the study can answer.", epilog="Example: domatia questions ridge.domatia")
@click.argument("study", default="")
@click.option("--manual", default="", metavar="QUESTION", help="Show the manual page of one question instead.")
@click.option("--json", "as_json", is_flag=True, help="Print them as JSON.")
def questions(study: str, manual: str, as_json: bool) -> None:
    """List the questions that STUDY can answer, and what it lacks for the others."""
    from domatia.tasks.asking import list_questions, manual_of
    from domatia.tasks.keeping import kept_answers

    if manual:
        say(manual_of(manual))
        return
    if not study:
        raise click.UsageError("No study was named. Example: domatia questions ridge.domatia")

    found = list_questions(study)
    if as_json:
        from domatia.tasks.as_json import as_text

        say(as_text([{"question": q.code, "asks": q.asks, "lacks": list(q.lacks)} for q in found]))
        return
    for q in found:
        say(f"{'can be answered' if not q.lacks else 'lacks something':<16} {q.code:<12} {q.asks}")
        for what in q.lacks:
            say(wrapped(f"- {what}", " " * 29))
    for k in kept_answers(study):
        put = ", ".join(filter(None, [f"seed {k.seed}", k.asked]))
        say(f"{'kept' if not k.stale else 'kept, but stale':<16} {k.question:<12} {put}")
        for why in k.stale:
            say(wrapped(f"- {why}", " " * 29))
    ready = next((q.code for q in found if not q.lacks), "")
    if ready:
        say(f"Next: domatia answer {quoted(study)} {ready}, or domatia report {quoted(study)} FOLDER for all of them.")
    else:
        say("Next: bring in the tables that hold what is lacking (domatia propose TABLE).")


@click.command(
    short_help="Answer a question.", epilog="Example: domatia answer ridge.domatia survival --adjust habitat --json"
)
@click.argument("study")
@click.argument("question", default="")
@click.option("--all", "everything", is_flag=True, help="Answer every question that the study can answer.")
@click.option("--by", default="", help="Compare plants by this field of theirs or their place, not by treatment.")
@click.option("--within", default="", help="Answer for each value of this field by itself, such as site.")
@click.option("--adjust", multiple=True, help="Allow for this field as a covariate; may be given again.")
@click.option("--seed", default=1, show_default=True, help="Seed of every random number.")
@click.option("--draws", default=200, show_default=True, help="Resamples for the bands of curves.")
@click.option("--pool", is_flag=True, help="Pool sham and control plants.")
@click.option("--keep", is_flag=True, help="Store the answer in the study.")
@click.option("--tables", is_flag=True, help="Also show the answer's tables.")
@click.option("--rows", is_flag=True, help="With --json: also the ids of the records used and left out.")
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
@click.pass_context
def answer(ctx: click.Context, /, study: str, question: str, **how: object) -> None:
    """Answer QUESTION from STUDY, with its interval and its doubts; with --all every question.

    The exit code is 1 if there is nothing to answer.
    """
    from domatia.tasks.as_json import answer_as_dict, as_text
    from domatia.tasks.asking import ask_study, asked_as

    put = asked_as(how)
    if how["everything"]:
        ctx.exit(_everything(study, question, put, how))
    if how["within"]:
        ctx.exit(_each(study, question, put, how))
    with progress(bool(how["as_json"])) as tick:
        found = ask_study(study, question, put, keep=bool(how["keep"]), tick=tick)
    if how["as_json"]:
        say(as_text(answer_as_dict(found, with_rows=bool(how["rows"]))))
        ctx.exit(0 if found.answered else 1)
    head = [found.asks, wrapped(found.sentence)]
    tail = _rests_on(found, LINES - _lines(head) - (LEAST_ROWS + 3 if found.effects else 0))
    say("\n".join(head))
    if found.effects:
        from domatia.tasks.effects_shown import effect_table

        room = LINES - _lines([*head, *tail])
        show_table(effect_table(found.effects), most=max(room, LEAST_ROWS), rest="--json gives them all")
    say("\n".join(tail))
    if how["tables"]:
        for name, table in found.tables.items():
            say(f"{name.replace('_', ' ')}:")
            show_table(table, rest="--json gives them all")
    if how["keep"]:
        aside("The answer is kept in the study.")
    ctx.exit(0 if found.answered else 1)


def _everything(study: str, question: str, put: "Ask", how: Mapping[str, object]) -> int:
    """Answer all questions; give the exit code."""
    from domatia.model import WrongUse
    from domatia.tasks.as_json import answer_as_dict, as_text
    from domatia.tasks.asking import ask_everything

    if question:
        raise WrongUse(f"{question} and --all together", "one question, or --all", "Leave out one of the two.")
    with progress(bool(how["as_json"])) as tick:
        found = ask_everything(study, put, keep=bool(how["keep"]), tick=tick)
    if how["as_json"]:
        plain = [answer_as_dict(a, with_rows=bool(how["rows"])) for a in found.answers]
        say(as_text({"answers": plain, "lacking": {code: list(what) for code, what in found.lacks.items()}}))
    else:
        for a in found.answers:
            say(wrapped(f"{a.question}: {a.sentence}"))
        for code, what in found.lacks.items():
            say(wrapped(f"{code}: lacking {'; '.join(what)}."))
    return 0 if any(a.answered for a in found.answers) else 1


def _each(study: str, question: str, put: "Ask", how: Mapping[str, object]) -> int:
    """Answer for each value of a field; give the exit code."""
    from domatia.tasks.as_json import answer_as_dict, as_text
    from domatia.tasks.asking import ask_within

    with progress(bool(how["as_json"])) as tick:
        found = ask_within(study, question, put, str(how["within"]), keep=bool(how["keep"]), tick=tick)
    if how["as_json"]:
        say(as_text([answer_as_dict(a, with_rows=bool(how["rows"])) for a in found]))
    else:
        for a in found:
            say(wrapped(f"{a.ask.only[1] if a.ask.only else ''}: {a.sentence}"))
        if how["keep"]:
            aside(f"The answers are kept; domatia answer {quoted(study)} synthesis pools them.")
    return 0 if any(a.answered for a in found) else 1


def _lines(texts: list[str]) -> int:
    return sum(t.count("\n") + 1 for t in texts)


def _rests_on(found: "Answer", room: int) -> list[str]:
    """Say what an answer rests on, what was left out, and the doubts: notes only as far as they fit."""
    lines = [wrapped(f"Rests on {found.rows}. {PLANNED[found.planned]}")]
    out = sorted(found.rows.left_out.items())
    for reason, ids in out[:MOST_REASONS]:
        lines.append(wrapped(f"Left out: {len(ids):,} record{'' if len(ids) == 1 else 's'}: {reason}.", "  "))
    if len(out) > MOST_REASONS:
        rest = sum(len(ids) for _, ids in out[MOST_REASONS:])
        lines.append(f"  Left out for {len(out) - MOST_REASONS} other reasons: {rest:,} records; --json gives them.")
    lines += [wrapped(f"{d.severity}: {d.text}", "  - ") for d in found.doubts if d.severity != "note"]
    notes = [wrapped(f"note: {d.text}", "  - ") for d in found.doubts if d.severity == "note"]
    shown: list[str] = []
    while notes and (_lines([*lines, *shown, notes[0]]) + (len(notes) > 1)) <= room:
        shown.append(notes.pop(0))
    more = [f"  - and {len(notes)} more note{'' if len(notes) == 1 else 's'}; --json gives them all."] if notes else []
    return [*lines, *shown, *more]


@click.command(short_help="Write the report.", epilog="Example: domatia report ridge.domatia ridge-report")
@click.argument("study")
@click.argument("folder", type=click.Path(file_okay=False))
@click.option("--question", "wanted", multiple=True, help="Only this question; may be given again.")
@click.option("--by", default="", help="Compare plants by this field, not by treatment.")
@click.option("--adjust", multiple=True, help="Allow for this field as a covariate; may be given again.")
@click.option("--seed", default=1, show_default=True, help="Seed of every random number.")
def report(study: str, folder: str, wanted: tuple[str, ...], by: str, adjust: tuple[str, ...], seed: int) -> None:
    """Write the report of STUDY into FOLDER: report.html (one file) and report.pdf."""
    from domatia.model import Ask
    from domatia.tasks.reporting import report as write_report

    with progress(False) as tick:
        done = write_report(study, folder, Ask(by=by, adjust=adjust, seed=seed), wanted=wanted, tick=tick)
    for a in done.answers:
        say(wrapped(f"{a.asks} {a.sentence}", "  "))
    say(f"Page: {done.html}\nPaper: {done.pdf}")
