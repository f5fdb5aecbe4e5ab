"""What could mislead about leaf damage."""

from collections.abc import Sequence

import numpy as np
import polars as pl

from domatia.histories import leaves as scored
from domatia.model import Doubt, Effect, StudyData
from domatia.questions.damage_numbers import MONTHS, NOT_FOLLOWED, WINDOW, Material
from domatia.questions.standing_doubts import standing_doubts
from domatia.questions.wording import number, share

_LEAST_CALIBRATION = 10
_LEAST_REPEATS = 10
_LATE_DAYS = 31.0
_BIASED = 2.0


def damage_doubts(data: StudyData, about: Material, effects: Sequence[Effect], residue: int) -> tuple[Doubt, ...]:
    """Gather the doubts about leaf scores and their comparison."""
    found = standing_doubts(data, about.groups, about.clusters)
    if not effects:
        return tuple(found)
    if effects[0].low == effects[0].high:
        text = "Plants of a group do not differ in their scores at all, so the interval has no width and means nothing."
        found.append(Doubt("no_variation", "warning", text))
    found += _vanished(about, effects)
    found += _residue(data, about, effects, residue)
    found += _scoring(about)
    found += _observers(about)
    found += _once(about, effects)
    found += _following(about)
    if any("_as_occupied" in e.name for e in effects):
        text = (
            "Damage as occupied is no experiment: vigorous plants keep and attract colonies, and may lose less leaf "
            "for reasons of their own."
        )
        found.append(Doubt("vigorous_plants", "note", text))
    return tuple(found)


def _vanished(about: Material, effects: Sequence[Effect]) -> list[Doubt]:
    gone = about.rows.filter(pl.col("fate") != scored.PRESENT)
    if gone.is_empty():
        return []
    counts = {f: gone.filter(pl.col("fate") == f).height for f in (scored.EATEN, scored.ABSCISED, scored.UNKNOWN)}
    leaves = about.rows.select("plant", "leaf").unique().height
    text = (
        f"{gone.height} of {leaves} marked leaves vanished: {counts['eaten']} eaten, {counts['abscised']} dropped, "
        f"{counts['unknown']} nobody knows how; the last count as eaten as often as those of known fate."
    )
    main = effects[0]
    same = [e for e in effects if e.name == main.name and (e.of, e.against) == (main.of, main.against)]
    bounds = [e for e in same if e.where.startswith((scored.ALL_DROPPED, scored.ALL_EATEN))]
    signs = {_sign(e) for e in (main, *bounds)}
    if len(signs) > 1:
        text += " What is shown depends on it: see the versions 'all dropped' and 'all eaten'."
    return [Doubt("vanished_leaves", "warning" if len(signs) > 1 else "note", text)]


def _sign(effect: Effect) -> int:
    return int(effect.low > 0) - int(effect.high < 0)


def _residue(data: StudyData, about: Material, effects: Sequence[Effect], count: int) -> list[Doubt]:
    if not count:
        return []
    days = data.profile.residue_days
    text = (
        f"{count} of {about.rows.height} scores were made within {days:g} days after an insecticide on the plant, "
        "which keeps off leaf eaters by itself."
    )
    without = next((e for e in effects if "without leaves scored within" in e.where), None)
    if without is not None:
        text += f" Without them the difference is {number(without.estimate)} percentage points."
    return [Doubt("residue", "warning", text)]


def _scoring(about: Material) -> list[Doubt]:
    found = []
    rows = about.scores.rows.join(about.members.select("plant"), on="plant", how="semi")
    open_ = int((~rows["blind"].fill_null(True)).sum())
    untold = rows["blind"].null_count()
    if open_:
        text = f"{share(open_ / rows.height)} of the scores were made by people who knew the plant's treatment."
        found.append(Doubt("not_blind", "warning", text))
    elif untold:
        text = f"For {share(untold / rows.height)} of the scores it is not said whether the scorer knew the treatment."
        found.append(Doubt("not_blind", "note", text))
    if about.scores.classes:
        text = (
            f"Leaves were scored in {len(about.scores.classes)} classes. Percentages take each class at the middle of "
            "its limits; what differs within a class is not seen."
        )
        found.append(Doubt("classes", "note", text))
    if about.scores.grain != "day":
        found.append(Doubt("coarse_dates", "note", "Scores are not dated to the day; times since marking are rough."))
    return found


def _observers(about: Material) -> list[Doubt]:
    s = about.scores
    found = []
    if s.calibration.height >= _LEAST_CALIBRATION:
        bias = 100 * float(np.mean(s.calibration["error"].to_numpy()))
        per = s.calibration.group_by("observer").agg(b=100 * pl.col("error").mean()).sort("b")
        text = (
            f"On {s.calibration.height} leaves of known damage, scores differed from it by {bias:+.1f} percentage "
            f"points on average (by observer {per['b'][0]:+.1f} to {per['b'][-1]:+.1f})."
        )
        worst = max(abs(float(b)) for b in (per["b"][0], per["b"][-1]))
        found.append(Doubt("calibration", "warning" if worst > _BIASED else "note", text))
    else:
        text = "No leaves of known damage were scored, so how far the observers are off is not known."
        found.append(Doubt("calibration", "note", text))
    if s.repeats.height >= _LEAST_REPEATS:
        sd = 100 * float(np.sqrt(np.mean(s.repeats["error"].to_numpy() ** 2) / 2))
        text = f"{s.repeats.height} repeated scores put the error of one score at {sd:.1f} percentage points (SD)."
        found.append(Doubt("repeats", "note", text))
    return found


def _once(about: Material, effects: Sequence[Effect]) -> list[Doubt]:
    standing = [e for e in effects if e.name == "standing_missing"]
    if not standing:
        return []
    if not about.has_marked:
        text = (
            "Leaves were scored once only. Leaves that were eaten up or dropped are not among them, so the loss is "
            "understated, most where it is heaviest."
        )
        return [Doubt("scored_once", "warning", text)]
    ratios = [e for e in effects if e.name == "marked_to_standing_ratio"]
    told = ", ".join(f"{e.of} {number(e.estimate)} ({number(e.low)} to {number(e.high)})" for e in ratios)
    text = (
        "Leaves scored once show less than marked leaves: these had lost so many times as much after "
        f"{about.years * MONTHS:.0f} months: {told}. Vanished leaves and the ages of the leaves both enter."
    )
    return [Doubt("scored_once", "note", text)] if ratios else []


def _following(about: Material) -> list[Doubt]:
    found = []
    lost = len(about.left_out.get(NOT_FOLLOWED, ()))
    if lost:
        text = (
            f"{lost} scores are of marked leaves whose state at the time of comparison is not known (plants that died "
            "or were not found, leaves not scored again); plants that lived are compared."
        )
        found.append(Doubt("not_followed", "note", text))
    beyond = int(about.plants["beyond"].fill_null(False).sum())
    if beyond:
        text = (
            f"On {beyond} plants the last look came up to {MONTHS * WINDOW:.1f} months before that time; the "
            "line through the last two looks was drawn on to it."
        )
        found.append(Doubt("drawn_on", "note", text))
    late = about.rows["late"].drop_nulls().abs()
    if late.len() and float(np.median(late.to_numpy())) > _LATE_DAYS:
        text = f"Leaves were marked {np.median(late.to_numpy()):.0f} days (median) from the beginning of the treatment."
        found.append(Doubt("marked_late", "warning", text))
    if about.has_marked and about.years < 1.0:
        text = f"Marked leaves were followed {about.years * MONTHS:.1f} months, so nothing is said about a year."
        found.append(Doubt("followed_short", "note", text))
    return found
