"""What could mislead in the answer about patrols."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import polars as pl

from domatia.histories.patrols import LEAF_SCAN
from domatia.model import Doubt, StudyData
from domatia.questions.patrol_numbers import CLOCK, NEVER, NONE, SUN, TOO_FEW, Cell, Fitted, Material
from domatia.questions.standing_doubts import FEW_BLOCKS, VERY_FEW_BLOCKS, open_findings
from domatia.questions.wording import share
from domatia.stats.circular import mean_direction, rayleigh, watson_two_samples

OLD_LOOK_DAYS = 90.0
WALKED, PASS_SECONDS, SHARED, PASSES = 0.5, 3 * 3600.0, 4, 4
"""Mean rank correlation of the order of plants between passes; length of a pass; plants and passes needed."""
DIFFERENT_P, UNEVEN_P, UNEVEN_LENGTH = 0.01, 0.01, 0.3


def patrol_doubts(
    data: StudyData, about: Material, fits: Sequence[Fitted], unused: tuple[str, ...]
) -> tuple[Doubt, ...]:
    """Gather the doubts; the gravest first."""
    found: list[Doubt] = []
    if unused:
        text = f"This question compares no groups and allows for no fields: {' and '.join(unused)} had no effect."
        found.append(Doubt("not_used", "warning", text))
    found += [
        *_hours(about),
        *_gaps(about.cells),
        *_walked(about.rows),
        *_chosen(about.cells),
        *_never(about),
        *_looks(about),
        *_blocks(about),
    ]
    if any(c.method == LEAF_SCAN for c in about.cells):
        text = "No scan has a length: each was taken as the ants on one leaf, and leaves are not equally large."
        found.append(Doubt("leaf_scans", "note", text))
    if len({c.method for c in about.cells}) > 1:
        text = "A scan counts the ants that are there, a gate count those that pass: they are answered apart."
        found.append(Doubt("methods_apart", "note", text))
    fitted = {f.cell.where for f in fits}
    lost = [c.where for c in about.cells if c.where not in fitted]
    if lost:
        found.append(Doubt("not_fitted", "warning", f"No model could be fitted to: {'; '.join(lost)}."))
    told = {w.split(": ", 1)[-1] for f in fits for w in f.fit.warnings if not w.startswith(("singular", "one_group"))}
    found += [Doubt("model", "note", f"Count model: {note}.") for note in sorted(told)]
    undecided = len(data.undecided.get("patrol", ()))
    if undecided:
        text = f"{undecided} counts have two values that nobody has decided between; they were left out."
        found.append(Doubt("undecided", "warning", text))
    order = {"error": 0, "warning": 1, "note": 2}
    return tuple(sorted([*found, *open_findings(data.findings)], key=lambda d: order[d.severity]))


def _hours(about: Material) -> list[Doubt]:
    if about.hours_by == NONE:
        text = "No times of day were written with the counts: nothing can be said of day and night."
        return [Doubt("no_times", "warning", text)]
    if about.hours_by == CLOCK:
        text = (
            f"Neither plants nor places have longitude and latitude: hours are those of the clock in {about.zone}, "
            "which may lie an hour and more off the sun's, and night is taken as 18 to 6."
        )
        return [Doubt("clock_time", "warning", text)]
    lost = about.patrols.rows.filter(pl.col("longitude").is_null()).height
    if about.hours_by == SUN and lost:
        text = f"Where the plants of {lost:,} counts stand is not known: the mean place of the others was taken."
        return [Doubt("some_coordinates", "note", text)]
    return []


def _gaps(cells: Sequence[Cell]) -> list[Doubt]:
    found = []
    timed = [c for c in cells if c.rows["hour"].count()]
    none = [c.where for c in timed if c.harmonics == 0 and not c.dark]
    if none:
        text = f"More than eight hours of the day have no count: no clock can be told of {'; '.join(none)}."
        found.append(Doubt("hours_missing", "warning", text))
    rough = [c.where for c in timed if c.harmonics == 1]
    if rough:
        text = (
            f"Four to eight hours of the day have no count ({'; '.join(rough)}): a single wave a day was fitted, and "
            "a second peak would not show."
        )
        found.append(Doubt("hours_few", "warning", text))
    for c in timed:
        if c.dark:
            text = f"No ant was ever counted by {c.dark} ({c.where}): the ratio of night to day has no finite value."
            found.append(Doubt("one_sided", "warning", text))
    return found


def _walked(rows: pl.DataFrame) -> list[Doubt]:
    """Tell whether plants of a block were counted in the same order pass after pass."""
    timed = rows.filter(pl.col("seconds").is_not_null())
    passes = timed.with_columns(turn=(pl.col("seconds") / PASS_SECONDS).floor()).group_by("cluster", "turn", "unit")
    orders: dict[int, list[dict[int, float]]] = {}
    first = passes.agg(pl.col("seconds").min()).sort("cluster", "turn", "unit")
    for (cluster, _), part in first.group_by("cluster", "turn", maintain_order=True):
        orders.setdefault(int(str(cluster)), []).append(dict(part.select("unit", "seconds").iter_rows()))
    alike = []
    for turns in orders.values():
        for one, other in pairwise(turns):
            both = sorted(one.keys() & other.keys())
            if len(both) >= SHARED:
                first_ranks, then_ranks = (np.argsort(np.argsort([t[u] for u in both])) * 1.0 for t in (one, other))
                alike.append(float(np.corrcoef(first_ranks, then_ranks)[0, 1]))
    if len(alike) < PASSES or np.mean(alike) < WALKED:
        return []
    text = (
        "Plants were counted in much the same order time after time: the hour cannot be told from the plant. Draw the "
        "order anew for each pass."
    )
    return [Doubt("walked", "warning", text)]


def _chosen(cells: Sequence[Cell]) -> list[Doubt]:
    found = []
    for method in sorted({c.method for c in cells}):
        rows = pl.concat([c.rows for c in cells if c.method == method]).filter(pl.col("hour").is_not_null())
        if rows.is_empty():
            continue
        angle = rows["hour"].to_numpy() * np.pi / 12.0
        even = rayleigh(angle)
        if even.p < UNEVEN_P and even.statistic > UNEVEN_LENGTH:
            hour = mean_direction(angle).mean * 12.0 / np.pi
            text = f"Most {method} counts were made about {hour:.0f} h: other hours rest on few counts."
            found.append(Doubt("hours_uneven", "note", text))
        for column, pair, words in (
            ("position", ("tip", "base"), "tip and base"),
            ("state", ("after disturbance", "undisturbed"), "disturbed and undisturbed plants"),
        ):
            one, other = (angle[(rows[column] == v).to_numpy()] for v in pair)
            if len(one) and len(other) and watson_two_samples(one, other).p < DIFFERENT_P:
                text = (
                    f"By {method}, {words} were counted at different hours: their ratio leans on the fitted clock "
                    "(Watson's U²)."
                )
                found.append(Doubt("hours_differ", "note", text))
    return found


def _never(about: Material) -> list[Doubt]:
    found = []
    for c in (c for c in about.cells if c.never):
        text = f"No ant was ever counted at: {', '.join(c.never)} ({c.where}); a ratio with it has no finite value."
        found.append(Doubt("never_there", "warning", text))
    few = len(about.left_out.get(TOO_FEW, ()))
    if few and about.cells:
        found.append(Doubt("few_counts", "note", f"{few:,} counts are of ants with too few for a model of their own."))
    blank = sum(len(v) for k, v in about.left_out.items() if k not in (TOO_FEW, NEVER))
    if blank:
        text = f"{blank:,} counts could not be used, such as those of plants on which no ants lived."
        found.append(Doubt("left_out", "note", text))
    return found


def _looks(about: Material) -> list[Doubt]:
    if not about.cells:
        return []
    rows = pl.concat([c.rows for c in about.cells])
    found = []
    unknown = rows["looked_days"].null_count()
    if unknown:
        text = f"Nobody had looked which ants lived there before {unknown:,} of the counts."
        found.append(Doubt("ant_not_known", "note", text))
    old = rows.filter(pl.col("looked_days") > OLD_LOOK_DAYS).height
    if old:
        text = (
            f"At {share(old / rows.height)} of the counts the last look at the ants was more than {OLD_LOOK_DAYS:.0f} "
            "days old; another ant may have lived there by then."
        )
        found.append(Doubt("old_look", "warning" if old > rows.height / 4 else "note", text))
    return found


def _blocks(about: Material) -> list[Doubt]:
    if not about.cells:
        return []
    plants = [c.where for c in about.cells if c.clustered == "plant"]
    if plants:
        text = (
            f"There are fewer than three blocks ({'; '.join(plants)}): intervals allow for plants only, and speak of "
            "this place alone."
        )
        return [Doubt("few_blocks", "warning", text)]
    blocks = min(c.rows["cluster"].n_unique() for c in about.cells)
    if blocks >= FEW_BLOCKS:
        return []
    text = (
        f"The ants were counted in as few as {blocks} blocks; intervals are clustered by block, with a correction and "
        "t quantiles for few blocks."
    )
    return [Doubt("few_blocks", "warning" if blocks < VERY_FEW_BLOCKS else "note", text)]
