"""From a study, its findings and its answers to the blocks of a report."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from domatia.figures.plant_map import plant_map
from domatia.figures.style import Words
from domatia.histories.effort import effort_by_place, effort_by_year
from domatia.histories.facts import plant_facts
from domatia.histories.received import before_treatment, occupied_again_by, treatment_flow, treatment_received
from domatia.model import Answer, Finding, StudyData
from domatia.report.document import Block, Bullets, Document, Figure, Heading, Paragraph, as_table
from domatia.report.effects import effect_name, effect_table
from domatia.version import TOOL

MOST_FINDINGS = 6
MOST_EFFECTS = 24
"""Effects that are printed with an answer; `domatia answer` gives them all."""

CAUTIONS = (
    "Ant stings can cause anaphylaxis, also in people who were stung before without harm. Have a plan and the means "
    "against it, and do not work alone.",
    "Insecticides: follow the label, the local code for pesticides and the conditions of the permit; only people "
    "licensed to do so should apply them. Keep away from water and flowers in bloom; note re-entry times.",
    "Cutting tools, ladders, night work and remote plots: follow the rules of the station; somebody outside should "
    "know where the crew is.",
    "Permits for research, collecting, pesticides and land are named with the interventions. Where they disagree "
    "with this text they hold, not this text.",
)


@dataclass(frozen=True)
class Told:
    """What a report is made from.

    Attributes
    ----------
    data : StudyData
    open, settled : tuple of Finding
    answers : tuple of Answer
    lacking : mapping of str to tuple of str
        Questions that could not be asked, and what the study lacks for them.
    truth : polars.DataFrame or None
        For an invented study: `quantity`, `truth`, `answer`, `low`, `high`, `held`.
    made : str
        Day on which the report was made.
    libraries : mapping of str to str
        Names and versions of the software used.
    """

    data: StudyData
    open: tuple[Finding, ...]
    settled: tuple[Finding, ...]
    answers: tuple[Answer, ...]
    lacking: Mapping[str, tuple[str, ...]]
    truth: pl.DataFrame | None
    made: str
    libraries: Mapping[str, str]


def compose(told: Told) -> Document:
    """Make the whole report."""
    blocks: list[Block] = [
        *_study(told.data),
        *_effort(told.data),
        *_map(told.data),
        *_findings(told.open, told.settled),
        *_received(told.data),
    ]
    for answer in told.answers:
        blocks += _answer(answer)
    blocks += _not_asked(told.lacking)
    blocks += [Heading("Cautions"), Bullets(CAUTIONS, "caution")]
    blocks += _appendix(told)
    if told.truth is not None:
        blocks += _truth(told.truth)
    return Document(told.data.name, f"Report of {told.made}, made by {TOOL}", tuple(blocks))


def _study(data: StudyData) -> list[Block]:
    blocks: list[Block] = [Heading("The study")]
    plants, visits = data.table("plant").height, data.table("visit").height
    places = data.table("place")
    levels = Counter(v for v in places["level"].to_list() if v)
    where = ", ".join(f"{n} {level}{'s' if n != 1 else ''}" for level, n in sorted(levels.items())) or "no places"
    blocks.append(Paragraph(f"{plants:,} plants, {visits:,} visits; {where}. Host: {data.profile.name}."))
    people = data.table("person")
    if people.height:
        blocks.append(as_table(people.select("name", "role", "orcid").sort("name"), "People"))
    permits = data.table("permit")
    if permits.height:
        shown = permits.select(
            "number", "issuer", valid_from="valid_earliest", valid_to="valid_latest", allows="allows"
        )
        blocks.append(as_table(shown.sort("number"), "Permits"))
    stated = data.table("intention")
    if stated.height:
        shown = stated.select(
            "question", "contrast", "horizon_days", "exclusions", "smallest_effect", on="stated_earliest"
        )
        blocks.append(as_table(shown.sort("on", "question"), "Stated beforehand"))
    return blocks


def _effort(data: StudyData) -> list[Block]:
    if not data.table("visit").height:
        return []
    blocks: list[Block] = [Heading("Effort")]
    blocks.append(as_table(effort_by_year(data), "Visits by year and what was found"))
    per = effort_by_place(data)
    empty = per.filter(pl.col("visits") == pl.col("not_visited")).select("place", "year")
    if empty.height:
        blocks.append(as_table(empty, "Places that were not visited in a year, though their plants are listed"))
    return blocks


def _map(data: StudyData) -> list[Block]:
    facts = plant_facts(data).filter(pl.col("x_m").is_not_null() & pl.col("y_m").is_not_null())
    if facts.is_empty():
        return []
    group = (
        pl.coalesce("treatment", pl.lit("plant")) if facts["treatment"].null_count() < facts.height else pl.lit("plant")
    )
    table = facts.select("x_m", "y_m", place=pl.col("place_name").fill_null("no place"), group=group)
    names = sorted(table["group"].unique().to_list())
    words = Words("Where the plants stand", "Map of the plants by place and treatment", "x (m)", "y (m)")
    shown = min(24, table["place"].n_unique())
    caption = (
        f"{table.height:,} mapped plants; {shown} of {table['place'].n_unique()} places are drawn, out to where 99 % "
        "of the plants stand."
    )
    return [Heading("Map"), Figure(plant_map(table, names, words), caption, words.description)]


def _findings(still_open: Sequence[Finding], settled: Sequence[Finding]) -> list[Block]:
    blocks: list[Block] = [Heading("Findings")]
    if not still_open:
        blocks.append(Paragraph(f"No finding is open; {len(settled)} are settled."))
        return blocks
    counts = Counter((f.severity, f.code) for f in still_open)
    order = {"error": 0, "warning": 1, "note": 2}
    rows = sorted(counts.items(), key=lambda item: (order[item[0][0]], -item[1], item[0][1]))
    table = pl.DataFrame(
        [(severity, code.replace("_", " "), n) for (severity, code), n in rows],
        schema=["grade", "check", "open"],
        orient="row",
    )
    number = f"{len(still_open):,} findings are" if len(still_open) != 1 else "One finding is"
    blocks.append(Paragraph(f"{number} open and {len(settled):,} settled."))
    blocks.append(as_table(table, "Open findings by check"))
    errors = [f for f in still_open if f.severity == "error"][:MOST_FINDINGS]
    if errors:
        blocks.append(Bullets(tuple(str(f) for f in errors), "small"))
    return blocks


def _received(data: StudyData) -> list[Block]:
    if not data.table("assignment").height:
        return []
    blocks: list[Block] = [Heading("Treatment received")]
    blocks.append(as_table(treatment_flow(data), "From assigned to analysed"))
    blocks.append(as_table(treatment_received(data), "What was done, and how long plants were free of ants"))
    again = occupied_again_by(data)
    if again.height:
        blocks.append(as_table(again, "Who took plants that had been vacant"))
    before = before_treatment(data)
    if before.height:
        blocks.append(as_table(before, "Before the treatment"))
    return blocks


def _answer(answer: Answer) -> list[Block]:
    blocks: list[Block] = [Heading(answer.asks), Paragraph(answer.sentence, "answer")]
    if answer.chart is not None:
        asked = f" {str(answer.rows)[0].upper()}{str(answer.rows)[1:]}."
        blocks.append(
            Figure(answer.chart, str(answer.chart["title"]["text"]) + "." + asked, answer.chart["description"])
        )
    if answer.effects:
        level = round(100 * answer.effects[0].level)
        stated = "stated beforehand" if answer.planned == "planned" else "not stated beforehand"
        caption = f"Effects with {level} % intervals ({answer.planned}: {stated})"
        blocks.append(as_table(effect_table(answer.effects), caption, most=MOST_EFFECTS))
    test = answer.tables.get("randomisation_test")
    if test is not None and test.height:
        blocks.append(as_table(test, "Randomisation test: treatments redrawn within blocks as they were drawn"))
    if answer.doubts:
        blocks += [Heading("What could mislead", 2), Bullets(tuple(d.text for d in answer.doubts))]
    if answer.rows.left_out:
        left = pl.DataFrame(
            [(reason, len(ids)) for reason, ids in sorted(answer.rows.left_out.items())],
            schema=["reason", "records"],
            orient="row",
        )
        blocks.append(as_table(left, "Left out, and why"))
    sources = " ".join(answer.sources)
    blocks += [Heading("Method", 2), Paragraph(f"{answer.method} Seed {answer.ask.seed}. {sources}", "small")]
    return blocks


def _not_asked(lacking: Mapping[str, tuple[str, ...]]) -> list[Block]:
    if not lacking:
        return []
    items = tuple(f"{asks} Lacking: {'; '.join(what)}." for asks, what in lacking.items())
    return [Heading("Questions that this study cannot answer yet"), Bullets(items)]


def _appendix(told: Told) -> list[Block]:
    counts = [(k, t.height) for k, t in sorted(told.data.tables.items()) if t.height]
    rows = pl.DataFrame(counts, schema=["record kind", "current records"], orient="row")
    software = pl.DataFrame(sorted(told.libraries.items()), schema=["software", "version"], orient="row")
    seeds = sorted({a.ask.seed for a in told.answers})
    return [
        Heading("Appendix"),
        Paragraph(f"Seed of every random number: {', '.join(map(str, seeds)) or 'none used'}. Made by {TOOL}."),
        as_table(software, "Software"),
        as_table(rows, "Records"),
    ]


def _truth(truth: pl.DataFrame) -> list[Block]:
    held = int(truth["held"].sum())
    return [
        Heading("Answers and truth"),
        Paragraph(
            "This study is invented, so its truth is known: counted on simulated plants without sampling or error. "
            f"{held} of {truth.height} intervals hold the truth; of 95 % intervals about one in twenty should miss."
        ),
        as_table(_told_truth(truth), "What the study answered, beside what is true", most=1000),
    ]


def _told_truth(truth: pl.DataFrame) -> pl.DataFrame:
    """Put what an effect is into one column of words, its interval into another."""
    against = pl.when(pl.col("against") == "").then(pl.lit("")).otherwise(pl.lit(" against ") + pl.col("against"))
    where = pl.when(pl.col("where") == "all").then(pl.lit("")).otherwise(pl.lit(" (") + pl.col("where") + pl.lit(")"))
    names = truth["effect"].map_elements(lambda n: effect_name(n.replace(" ", "_")), return_dtype=pl.String)
    return truth.select(
        "question",
        effect=pl.concat_str([names, pl.lit(": "), pl.col("of"), against, where]),
        truth="truth",
        answer="answer",
        low="low",
        high="high",
        held="held",
    )
