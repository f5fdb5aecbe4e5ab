"""What could mislead about trials with intruders."""

from collections.abc import Sequence

import numpy as np
import polars as pl

from domatia.histories.trials import EXCLUDED, NAMELESS, STOPPED
from domatia.model import Doubt, Effect, StudyData
from domatia.model.finding import Severity
from domatia.questions.intruders_numbers import OCCUPIED, Material, Part, minutes
from domatia.questions.standing_doubts import open_findings, standing_doubts
from domatia.questions.wording import share

FEW_PLANTS = 10
UNEVEN, MANY = 0.10, 0.25
_OWN = ("ant", "intruder", "day_part")


def intruders_doubts(
    data: StudyData, about: Material, found: Sequence[Effect], notes: Sequence[str]
) -> tuple[Doubt, ...]:
    """Gather the doubts about contacts, exclusions and responses."""
    doubts = [Doubt("fit", "note", n) for n in notes]
    if about.groups.column in _OWN:
        doubts += [_not_given(about), *open_findings(data.findings)]
    else:
        doubts += standing_doubts(data, about.groups, about.clusters)
    for part in about.parts:
        doubts += _plants(part)
        doubts += _ends(part)
        doubts += _contacts(part)
        doubts += _mix(part, about.groups.column)
    doubts += _vertebrates(data, about)
    doubts += _words(about)
    if any(e.where.startswith(OCCUPIED) for e in found):
        text = (
            "The difference as occupied is no experiment: vigorous plants keep and attract colonies, and the ants seen "
            "at the latest look may have changed since."
        )
        doubts.append(Doubt("vigorous_plants", "note", text))
    undecided = data.undecided.get("trial")
    if about.groups.column in _OWN and undecided is not None and undecided.height:
        text = f"{undecided.height} trials have two values that nobody has decided between; they were left out."
        doubts.append(Doubt("undecided", "warning", text))
    return tuple(doubts)


def _not_given(about: Material) -> Doubt:
    what = {"ant": "its ants", "intruder": "its intruder", "day_part": "its hour"}[about.groups.column]
    text = f"No plant was given {what} by a draw: other things that differ between the groups may be the cause."
    return Doubt("not_drawn", "note", text)


def _plants(part: Part) -> list[Doubt]:
    found = []
    per = part.table.group_by("value").agg(n=pl.len(), plants=pl.col("plant").n_unique()).sort("value")
    trials, plants = part.table.height, part.table["plant"].n_unique()
    if trials > plants:
        text = (
            f"{trials} trials{_of(part)} were made on {plants} plants: trials are not plants, and intervals allow for "
            "what is alike within a block or plant."
        )
        found.append(Doubt("trials_not_plants", "note", text))
    few = per.filter(pl.col("plants") < FEW_PLANTS)
    if few.height:
        text = ", ".join(f"{p} of {v}" for v, _, p in few.iter_rows())
        severity: Severity = "note" if part.label else "warning"
        found.append(Doubt("few_plants", severity, f"Few plants were tried{_of(part)} ({text})."))
    return found


def _of(part: Part) -> str:
    return " with vertebrates" if part.label else ""


def _ends(part: Part) -> list[Doubt]:
    table, found = part.table, []
    silent = table.filter(~pl.col("end_told"))
    if silent.height and part.exclusion_told:
        text = (
            f"Of {silent.height} of {table.height} trials{_of(part)} it is not written why they ended; they count as "
            "watches that stopped. If intruders left in some of them, shares excluded are too high."
        )
        severe: Severity = "warning" if silent.height > MANY * table.height else "note"
        found.append(Doubt("end_not_told", severe, text))
    if not part.exclusion_told:
        text = f"No trial{_of(part)} says how it ended: exclusion was not recorded, and only contacts are answered."
        found.append(Doubt("no_exclusion", "warning", text))
    longest = float(np.asarray(table["end_s"].max()))
    early = table.filter((pl.col("cause") == STOPPED) & (pl.col("end_s") < part.horizon))
    if early.height:
        text = (
            f"{early.height} watches{_of(part)} stopped before {minutes(part.horizon)} with the intruder still there "
            "(wind, or nobody went on watching); that is taken to have nothing to do with what the ants did next."
        )
        severe = "warning" if early.height > MANY * table.height else "note"
        found.append(Doubt("stopped_early", severe, text))
    if longest > 1.5 * part.horizon:
        text = f"Shares are given at {minutes(part.horizon)}; some watches lasted up to {minutes(longest)}."
        found.append(Doubt("horizon", "note", text))
    eaten = int((table["ended"] == "eaten").sum())
    if eaten:
        text = f"{eaten} intruders{_of(part)} were eaten; they count as excluded."
        found.append(Doubt("eaten", "note", text))
    tied = table.filter(pl.col("tethered").fill_null(False))
    if tied.height:
        text = (
            f"{tied.height} of {table.height} intruders{_of(part)} were tied and could not leave: ants had longer to "
            "find and to attack them than a free intruder would have given them."
        )
        found.append(Doubt("tethered", "note", text))
    return found


def _contacts(part: Part) -> list[Doubt]:
    table, found = part.table, []
    told = table.filter(pl.col("met").is_not_null())
    missing = table.height - told.height
    if missing:
        text = (
            f"{missing} of {table.height} trials{_of(part)} say nothing of contacts; a blank is not none, and they are "
            "left out of what is said about contacts."
        )
        found.append(Doubt("contact_not_told", "note", text))
    untimed = told.filter(pl.col("met") & pl.col("contact_s").is_null()).height
    if untimed:
        text = f"In {untimed} trials{_of(part)} ants met the intruder at a moment that was not written."
        found.append(Doubt("contact_not_timed", "note", text))
    none = told.filter(~pl.col("met")).height
    if none:
        text = (
            f"In {none} trials{_of(part)} no ant met the intruder: attacks per contact are undefined there, not "
            "nought, and come from the others alone."
        )
        found.append(Doubt("no_contact", "note", text))
    if not part.label and table.filter(pl.col("contact_s").is_not_null() & (pl.col("cause") == EXCLUDED)).height:
        text = (
            "Times from first contact are of intruders that were met at all; groups differ in how many these are, so "
            "that this comparison is no longer the one that was drawn."
        )
        found.append(Doubt("met_alone", "note", text))
    return found


def _mix(part: Part, column: str) -> list[Doubt]:
    kinds = part.table["intruder"].unique().sort().to_list()
    found = []
    if NAMELESS in kinds:
        n = int((part.table["intruder"] == NAMELESS).sum())
        found.append(Doubt("not_named", "note", f"Of {n} trials{_of(part)} the intruder is not named."))
    if len(kinds) > 1 and column != "intruder":
        per = part.table.group_by("value", "intruder").len()
        wide = per.pivot("intruder", index="value", values="len").fill_null(0)
        counts = wide.select(kinds).to_numpy().astype(float)
        spread = np.ptp(counts / counts.sum(axis=1, keepdims=True), axis=0)
        if spread.max() > UNEVEN:
            name = kinds[int(spread.argmax())]
            text = (
                f"Intruders were not shared out evenly: the share of {name} differs between groups by "
                f"{share(float(spread.max()))}. Shares excluded mix that in; ratios of hazards allow for it."
            )
            found.append(Doubt("uneven_intruders", "warning", text))
    return found


def _vertebrates(data: StudyData, about: Material) -> list[Doubt]:
    n = int(about.read.table["vertebrate"].sum())
    if not n:
        return []
    permits = data.table("permit").height
    text = (
        f"{n} trials put vertebrates on plants. Such trials come under animal-welfare law nearly everywhere: they need "
        "the approval of a local ethics committee and the permits of the place, and stings can kill a small animal. "
        f"{'Permits are on record; read' if permits else 'No permit is on record: check'} what they allow before more "
        "trials are made. Vertebrates are answered apart, since they leave at will and are not put off as insects are."
    )
    return [Doubt("vertebrates", "note" if permits else "warning", text)]


def _words(about: Material) -> list[Doubt]:
    if not about.read.strange:
        return []
    named = ", ".join(about.read.strange[:4])
    text = (
        f"The responses {named} have no rank and are left out of the comparison of responses; begin each with a "
        "number, the weakest lowest."
    )
    return [Doubt("responses_unranked", "warning", text)]
