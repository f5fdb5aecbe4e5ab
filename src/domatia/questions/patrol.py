"""When and where do they patrol?

What is measured
----------------
Ants (``patrol.ants``) by two methods that are never pooled: a scan counts the ants on a marked length at one moment
(``patrol.length_cm``; on one leaf each where no scan has a length), a gate count those that cross a line in a time
(``patrol.seconds``). Each count has its hour (``patrol.when``), its place on the plant (``patrol.position``) and says
whether the plant had been disturbed (``patrol.disturbed``; a blank is taken as not). The hour is that of the sun over
the plant, from the longitude of the plant or of the place around it (``plant.longitude``, ``place.longitude``): 12 is
when the sun is highest, whatever the clock says. Which ant lived there is taken from the last look at or before the
count (``occupancy.taxon``); plants on which that look found no patrolling ants are left out.

Model
-----
For each method and ant by itself: ants negative binomial, log mean = log extent + x'b + a cos h + b sin h + c cos 2h +
d sin 2h + plant + block, h the hour as an angle, x position and disturbance, extent ``patrol.length_cm`` in metres or
``patrol.seconds`` in minutes. Where four to eight hours of the day have no count only the first wave is fitted, beyond
that none. Night to day is the ratio of the mean rate over the hours with the sun below the horizon on the days of the
counts to that over the others: near one it says nothing of dawn and dusk. A clock is called flat only where the upper
end of the ratio of the busiest to the quietest hour is below 1.5; two peaks where draws of the coefficients put the
busiest hour now at one, now at the other. Tip to base and after to before disturbance are ratios of rates. Intervals
are clustered by block, or by plant below three blocks.

When not to use it
------------------
When each plant was always counted at the same hour: the hour cannot be told from the plant. Draw the order of plants
anew for each pass. Night work near ants needs two people, lights and whatever the permit and the station's rules ask.

Example
-------
>>> from domatia.questions.patrol import QUESTION
>>> QUESTION.asks
'When and where do they patrol?'

References
----------
Reda & Andreas 2004, Solar Energy 76:577-589 (the sun's place); Batschelet 1981, Circular Statistics in Biology (waves
of the day); Breslow & Clayton 1993, JASA 88:9-25 (mixed models); Bell & McCaffrey 2002, Surv. Methodol. 28:169-181 (few
blocks); Watson 1962, Biometrika 49:57-63 (hours of two samples).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from domatia.figures.curves import curves
from domatia.figures.style import GRID, Words
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import patrol_numbers as numbers
from domatia.questions.patrol_doubts import patrol_doubts
from domatia.questions.patrol_tables import tables
from domatia.questions.wording import bounds, interval, number

_FLAT, _BOTH = 1.5, 2
"""A clock whose busiest hour has, at the upper end, fewer than this many times the ants of the quietest is flat;
waves a day that must have been fitted to say so."""


@dataclass(frozen=True)
class Patrol:
    """What the patrol question found.

    Attributes
    ----------
    effects, tables, rows, too_little
        As `domatia.model.question.Found` says.
    about : Material
    fits : tuple of Fitted
    unused : tuple of str
        Options that had no effect.
    """

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: numbers.Material
    fits: tuple[numbers.Fitted, ...]
    unused: tuple[str, ...] = ()


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Patrol:
    """Fit the clock and the place of each method and ant.

    Parameters
    ----------
    data : StudyData
    ask : Ask
        `by` and `adjust` have no effect.
    rng : numpy Generator
        For the interval of the busiest hour.
    """
    about = numbers.gather(data)
    unused = tuple(
        text for text, given in ((f"--by {ask.by}", ask.by), (f"--adjust {', '.join(ask.adjust)}", ask.adjust)) if given
    )
    why = numbers.enough(about)
    if why:
        return Patrol((), {}, about.rows_used(), why, about, (), unused)
    fits = tuple(f for c in about.cells if (f := numbers.fit_cell(c)) is not None)
    effects = numbers.in_order(fits)
    if not effects:
        why = (
            "Too little to answer: the counts are of one place on the plant, of undisturbed plants, and at hours too "
            "few to tell day from night."
        )
        return Patrol((), {}, about.rows_used(), why, about, fits, unused)
    shown = {} if ask.only_effects else tables(about, fits, rng)
    return Patrol(effects, shown, about.rows_used(), "", about, fits, unused)


def doubts(data: StudyData, found: Patrol) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    if found.too_little:
        return ()
    return patrol_doubts(data, found.about, found.fits, found.unused)


def figure(found: Patrol) -> Chart | None:
    """Draw the rate of each ant by the hour of the sun, night shaded."""
    clock = found.tables.get("clock")
    if clock is None or clock.is_empty():
        return None
    method = str(clock["method"][0])
    table = clock.filter(pl.col("method") == method)
    table = pl.concat([table, table.filter(pl.col("x") < 0.1).with_columns(x=pl.lit(24.0))])
    names = list(dict.fromkeys(table["group"].to_list()))
    unit = numbers.UNITS[method]
    by = "Hour of the sun (12: highest)" if found.about.hours_by == numbers.SUN else "Hour of the clock"
    words = Words(
        "Ants on patrol by the hour of the day",
        f"{unit.capitalize()} by hour, by {method}, for {', '.join(names)}, with 95 % intervals; night is shaded.",
        by,
        f"{unit.capitalize()} ({method})",
    )
    chart = curves(table, names, words, stepped=False, limits=None)
    cell = next(c for c in found.about.cells if c.method == method)
    lit = numbers.HOURS[cell.sunlit() > 0.5]
    dawn, dusk = (float(lit.min()), float(lit.max())) if len(lit) else (24.0, 24.0)
    axis: Chart = {"scale": {"domain": [0, 24]}, "axis": {"values": list(range(0, 25, 3))}}
    for layer in chart["layer"]:
        layer["encoding"]["x"] |= axis
        layer["encoding"]["y"]["scale"] = {"zero": True}
    x: Chart = {**chart["layer"][1]["encoding"]["x"], "field": "from"}
    shade: Chart = {
        "data": {"values": [{"from": 0.0, "to": dawn}, {"from": dusk, "to": 24.0}]},
        "mark": {"type": "rect", "color": GRID, "opacity": 0.6},
        "encoding": {"x": x, "x2": {"field": "to"}},
    }
    chart["layer"].insert(0, shade)
    return chart


def sentence(found: Patrol, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words, ant by ant, with the gravest doubt."""
    if found.too_little:
        return found.too_little
    main = found.effects[0]
    method = main.where.split(", ", 1)[0]
    own = [e for e in found.effects if e.where.split(", ", 1)[0] == method and e.name == main.name]
    noun = {"scan": "Scans", "leaf scan": "Scans of a leaf", "gate": "Gate counts"}[method]
    text = f"{noun}: {'; '.join(_told(e, found, short=e is not main) for e in own)}."
    tips = [e for e in found.effects if e.name == "tip_base_ratio" and e.where.split(", ", 1)[0] == method]
    if tips and main.name != "tip_base_ratio":
        told = "; ".join(f"{_ant(e)} {number(e.estimate)} times ({bounds(e)})" for e in tips)
        text += f" At the tip against the base: {told}."
    text += _busiest(found, method)
    grave = [d for d in why_doubt if d.severity != "note"]
    return text + (f" But: {grave[0].text}" if grave else "")


def _busiest(found: Patrol, method: str) -> str:
    """Name the busiest hour, or two peaks, of each ant that was shown to keep hours."""
    table = found.tables.get("rhythm")
    if table is None:
        return ""
    own = table.filter((pl.col("method") == method) & pl.col("busiest_h").is_not_null())
    columns = ("ant", "busiest_h", "busiest_from_h", "busiest_to_h", "second_peak_h")
    told = [
        f"{ant} {_hour(at)} ({_hour(first)} to {_hour(last)})"
        if second is None
        else f"{ant} two peaks, {' and '.join(map(_hour, sorted((at, second))))}"
        for ant, at, first, last, second in own.select(columns).iter_rows()
    ]
    of = "sun" if found.about.hours_by == numbers.SUN else "clock"
    return f" Busiest by the {of}: {'; '.join(told)}." if told else ""


def _hour(value: float) -> str:
    minutes = round(value * 6) * 10
    return f"{minutes // 60 % 24}:{minutes % 60:02d}"


def _ant(effect: Effect) -> str:
    return effect.where.split(", ", 1)[1]


def _flat(effect: Effect, found: Patrol) -> bool:
    """Tell whether the clock of this ant was shown to be flat; one wave a day would miss dawn and dusk."""
    table = found.tables.get("rhythm")
    if table is None or effect.name != "night_day_ratio":
        return False
    method, ant = effect.where.split(", ", 1)
    own = table.filter((pl.col("method") == method) & (pl.col("ant") == ant) & (pl.col("waves") == _BOTH))
    return bool((own["busiest_to_quietest_high"] < _FLAT).any())


def _told(effect: Effect, found: Patrol, *, short: bool) -> str:
    phrase = {
        "night_day_ratio": "by night {times} times the number by day",
        "tip_base_ratio": "{times} times as many at the tip as at the base",
        "disturbance_ratio": "{times} times as many after a disturbance as before",
    }[effect.name].format(times=number(effect.estimate))
    ends = bounds(effect) if short else interval(effect)
    text = f"{_ant(effect)}, {phrase} ({ends})"
    if effect.low <= 1 <= effect.high:
        day = effect.name == "night_day_ratio"
        none = "no difference between night and day was shown" if day else "no difference was shown"
        text += ": a flat clock, or nearly so" if _flat(effect, found) else f": {none}"
    return text


def _has_counts(data: StudyData) -> bool:
    return data.table("patrol")["ants"].count() > 0


def _has_extent(data: StudyData) -> bool:
    table = data.table("patrol")
    return table["length_cm"].count() + table["seconds"].count() > 0 or (table["method"] == "scan").any()


QUESTION = Question(
    code="patrol",
    asks="When and where do they patrol?",
    needs=(
        Need("counts of patrolling ants (patrol, with method and ants)", _has_counts),
        Need("the length (or leaf) of each scan or the time of each gate count", _has_extent),
    ),
    sources=(
        "Reda I, Andreas A 2004. Solar position algorithm for solar radiation applications. Solar Energy 76:577-589.",
        "Batschelet E 1981. Circular Statistics in Biology. Academic Press, London.",
        "Breslow NE, Clayton DG 1993. Approximate inference in generalized linear mixed models. JASA 88:9-25.",
        "Bell RM, McCaffrey DF 2002. Bias reduction in standard errors for linear regression with multi-stage samples. "
        "Surv. Methodol. 28:169-181.",
        "Watson GS 1962. Goodness-of-fit tests on a circle II. Biometrika 49:57-63.",
    ),
    method=(
        "Scans and gate counts were analysed apart, and each ant by itself, with negative-binomial mixed models of the "
        "number of ants (log link; offset of the log of length or time; plants and blocks random; position, "
        "disturbance and two harmonics of the true solar hour fixed). The ratio of night to day compares mean rates "
        "over the hours with the sun below and above the horizon. Standard errors are clustered by block, corrected "
        "for few blocks."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)

__all__ = ["QUESTION", "Patrol"]
