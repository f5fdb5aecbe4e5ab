"""What could mislead about feeding trials."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import polars as pl

from domatia.histories.feeding import ALONE, CHOICE, NONE, OF_OTHERS, OWN
from domatia.model import Doubt, Effect, StudyData
from domatia.model.finding import Severity
from domatia.questions.palatability_numbers import AT_ALL, FED_TO, LEAST_ANIMALS, SOURCE, Material, part
from domatia.questions.standing_doubts import open_findings, standing_doubts
from domatia.questions.wording import share

FEW_ANIMALS, FEW_PLANTS, WHOLE, UNEVEN_H, UNEVEN_MIX = 10, 6, 0.95, 1.2, 0.10


def palatability_doubts(
    data: StudyData, about: Material, effects: Sequence[Effect], unused: tuple[str, ...]
) -> tuple[Doubt, ...]:
    """Gather the doubts about shares eaten."""
    found = _opposed(effects)
    if unused:
        text = f"This question allows for no fields: {' and '.join(unused)} had no effect."
        found.append(Doubt("not_used", "warning", text))
    if about.groups is not None:
        blocks = about.contrasts[0].table["block"].n_unique() if about.contrasts else 0
        found += standing_doubts(data, about.groups, blocks)
    else:
        found += open_findings(data.findings)
        undecided = data.undecided.get("palatability")
        if undecided is not None and undecided.height:
            text = f"{undecided.height} leaves have two values that nobody has decided between; they were left out."
            found.append(Doubt("undecided", "warning", text))
    if about.early:
        text = (
            f"{len(about.early)} leaves were fed before the treatment of their plants began; they say nothing of it "
            "and were left out of the comparison of treatments."
        )
        found.append(Doubt("before_treatment", "note", text))
    if not about.contrasts:
        return tuple(found)
    ids = pl.concat([c.table.select("record_id") for c in about.contrasts]).unique()
    table = about.read.table.join(ids, on="record_id", how="semi", maintain_order="left")
    found += _controls(table)
    found += _animals(table)
    found += _consumers(table, about, effects)
    found += _zeros(table)
    main = about.contrast_of(effects[0]).column if effects else ""
    found += _trials(table, main)
    return tuple(found)


def _controls(table: pl.DataFrame) -> list[Doubt]:
    how = dict(table["control_from"].value_counts().iter_rows())
    if how.get(NONE):
        text = (
            "No leaf has an ungrazed control: what leaves lost by wilting and shrinking counts as eaten. Where both "
            "sorts of leaf shrink alike the difference still stands, a little too small."
        )
        return [Doubt("no_controls", "warning", text)]
    found = []
    lost = table.filter(pl.col("control_from") == OWN)["control"]
    text = (
        f"Ungrazed controls lost {share(float(np.mean(lost.to_numpy())))} of their area on average; that was taken "
        "off, as from leaf that was still there to shrink."
    )
    found.append(Doubt("control_loss", "note", text))
    if how.get(OF_OTHERS):
        text = f"{how[OF_OTHERS]} of {table.height} leaves have no control of their own; the mean of others stands in."
        found.append(Doubt("controls_of_others", "warning" if how[OF_OTHERS] > table.height / 4 else "note", text))
    below = table.filter(pl.col("share") < 0).height
    if below:
        text = (
            f"{below} leaves lost less than their control; their share eaten is below nought and was kept so, since "
            "cutting it off would raise the mean."
        )
        found.append(Doubt("below_nought", "note", text))
    return found


def _animals(table: pl.DataFrame) -> list[Doubt]:
    found = []
    named, animals, dishes = table["animal_named"].all(), table["animal"].n_unique(), table["dish"].n_unique()
    if not named:
        text = (
            "Of some dishes it is not said which animal was fed: each counts as an animal of its own. If animals were "
            "fed again, intervals are too narrow."
        )
        found.append(Doubt("animals_not_named", "warning", text))
    elif animals < dishes:
        text = f"{animals} animals were fed in {dishes} dishes; intervals allow for an animal's appetite being its own."
        found.append(Doubt("animals_again", "note", text))
    if animals < FEW_ANIMALS:
        found.append(Doubt("few_animals", "warning", f"Only {animals} animals were fed; intervals are a rough guide."))
    plants = table["plant"].drop_nulls().n_unique()
    if not plants:
        text = "It is not said which plants the leaves came from: leaves of one plant count as if of several."
        found.append(Doubt("plants_not_named", "warning", text))
    elif plants < FEW_PLANTS:
        found.append(Doubt("few_plants", "warning", f"The leaves came from only {plants} plants."))
    return found


def _opposed(effects: Sequence[Effect]) -> list[Doubt]:
    """Tell of the first comparison in which one consumer surely ate more where another surely ate less."""
    own = [e for e in effects if e.name == "eaten_difference" and FED_TO in e.where]
    for one, other in combinations(own, 2):
        (where, _, name), (there, _, rival) = (e.where.partition(FED_TO) for e in (one, other))
        same = (where, one.of, one.against) == (there, other.of, other.against)
        apart = one.high < other.low or other.high < one.low
        if same and apart and one.estimate * other.estimate < 0.0:
            how = "Given the choice" if where.startswith(CHOICE) else "Fed one sort at a time"
            less, more = (one, other) if one.estimate < 0.0 else (other, one)
            few, many = (name, rival) if less is one else (rival, name)
            text = (
                f"Consumers differ in direction. {how}, {few} ate less of {one.of} than of {one.against} "
                f"({_points(less)}), {many} more ({_points(more)}): the mean over both describes neither."
            )
            return [Doubt("consumers_opposed", "warning", text)]
    return []


def _points(e: Effect) -> str:
    near, far = sorted((abs(100 * e.low), abs(100 * e.high)))
    if e.low < 0.0 < e.high:
        return f"{abs(100 * e.low):.0f} percentage points less to {abs(100 * e.high):.0f} more"
    return f"{near:.0f} to {far:.0f} percentage points"


def _consumers(table: pl.DataFrame, about: Material, effects: Sequence[Effect]) -> list[Doubt]:
    sorts = table["consumer"].n_unique()
    if sorts < 2:
        return []
    alone = sorted({e.where.partition(FED_TO)[2] for e in effects if FED_TO in e.where})
    text = (
        f"{sorts} sorts of consumer are taken together in the main number. Answered apart, which takes {LEAST_ANIMALS} "
        f"animals or more: {' and '.join(alone) or 'none'}."
    )
    found = [Doubt("consumers", "note" if len(alone) == sorts else "warning", text)]
    if effects and not effects[0].where.startswith(CHOICE):
        main = effects[0]
        rows = part(about.contrast_of(main), ALONE, (main.of, main.against))
        counts = rows.group_by("value", "consumer").len().pivot("consumer", index="value", values="len").fill_null(0)
        each = counts.drop("value").to_numpy().astype(float)
        spread = np.ptp(each / each.sum(axis=1, keepdims=True), axis=0)
        if spread.max() > UNEVEN_MIX:
            name = counts.columns[1 + int(spread.argmax())]
            text = (
                f"Consumers were not shared out evenly: the share of leaves fed to {name} differs by "
                f"{share(float(spread.max()))} between {main.of} and {main.against}, and the main number mixes that in."
            )
            found.append(Doubt("uneven_consumers", "warning", text))
    return found


def _zeros(table: pl.DataFrame) -> list[Doubt]:
    untouched = table.filter(pl.col("share") <= AT_ALL).height
    found = []
    if untouched > table.height / 4:
        text = (
            f"{untouched} of {table.height} leaves were left as good as untouched; means mix how often a leaf was "
            "eaten at all with how much, and the share eaten at all stands beside them."
        )
        found.append(Doubt("untouched", "note", text))
    whole = table.filter(pl.col("share") >= WHOLE).height
    if whole > table.height / 10:
        text = (
            f"{whole} of {table.height} leaves were eaten whole: the animals would have eaten more, so that "
            "differences are too small."
        )
        found.append(Doubt("eaten_whole", "warning", text))
    return found


def _trials(table: pl.DataFrame, column: str) -> list[Doubt]:
    found = []
    kinds = set(table["kind"])
    if CHOICE in kinds:
        text = (
            "In a choice the two leaves of a dish depend on one another: what is eaten of the one is not eaten of the "
            "other, so that a choice shows liking, not how much would be eaten in the field."
        )
        found.append(Doubt("choice", "note", text))
    hours = table.filter(pl.col("kind") == ALONE)["hours"].drop_nulls()
    if len(hours) and float(np.asarray(hours.max())) > UNEVEN_H * float(np.asarray(hours.min())):
        severity: Severity = "note"
        text = "Leaves fed alone were left for different times; shares eaten are not put to one length of time."
        found.append(Doubt("hours_differ", severity, text))
    if column == SOURCE:
        text = "Leaves of two sources differ in more than their defence: age, water and light they grew in."
        found.append(Doubt("sources_differ", "note", text))
    return found
