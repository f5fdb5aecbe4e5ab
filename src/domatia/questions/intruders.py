"""What happens to an intruder?

What is measured
----------------
An intruder (``trial.intruder``) is put on a plant (``trial.plant``) and watched (``trial.watched_s``): seconds until an
ant first meets it (``trial.first_contact_s``), contacts and attacks (``trial.contacts``, ``trial.attacks``), seconds
until it is off the plant (``trial.excluded_s``), the strongest response (``trial.response``), and why the watch ended
(``trial.ended``). Where the moment of exclusion is not written it is the end of the watch. An eaten intruder counts as
excluded.

Model
-----
A watch ends by exclusion, by the intruder's leaving (a competing event), or it stops (time up, wind). The share
excluded by t seconds is the sum over times u up to t of S(u-) d(u) / n(u), with n(u) watches going on, d(u) exclusions
and S(u-) the chance that nothing has ended it before. The same for first contact, with being gone as its competitor.
Hazards, from release and from first contact, are compared by proportional hazards, exp(b) being their ratio, with a
column for each intruder. Contacts per minute and attacks per contact are sums over sums. Responses: cumulative logit,
trials without contact lowest. All intervals allow for trials of one block (or plant) being alike.

When not to use it
------------------
Not for watches that were stopped because ants were about to attack. Attacks per contact are undefined, not nought,
where there was no contact. Times from first contact are of intruders that were met at all. A tied one cannot leave.
Vertebrates are answered apart; trials with them need ethics approval and permits of the place.

Example
-------
>>> from domatia.questions.intruders import QUESTION
>>> QUESTION.asks
'What happens to an intruder?'

References
----------
Aalen & Johansen 1978, Scand. J. Stat. 5:141-150 (shares with competing ends); Cox 1972, J. R. Stat. Soc. B 34:187-220;
Lin & Wei 1989, JASA 84:1074-1078 (sandwich); McCullagh 1980, J. R. Stat. Soc. B 42:109-142 (ordered classes); Pacelhe
et al. 2019, Biotropica 51 (timed trials with termites, and the rates in use).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from domatia.figures.curves import curves
from domatia.figures.style import Words
from domatia.model import Ask, Chart, Doubt, Effect, Need, Question, Rows, StudyData
from domatia.questions import intruders_numbers as numbers
from domatia.questions.intruders_doubts import intruders_doubts
from domatia.questions.intruders_tables import tables
from domatia.questions.wording import bounds, number, share


@dataclass(frozen=True)
class Intruders:
    """What the intruders question found; see `domatia.model.question.Found`."""

    effects: tuple[Effect, ...]
    tables: Mapping[str, pl.DataFrame]
    rows: Rows
    too_little: str
    about: numbers.Material
    notes: tuple[str, ...] = ()


def estimate(data: StudyData, ask: Ask, rng: np.random.Generator) -> Intruders:
    """Estimate shares, hazards, rates and responses.

    Parameters
    ----------
    data : StudyData
    ask : Ask
        `by` may also be a field of the trials: "ant" (who held the plant at the latest look), "intruder", "day_part".
    rng : numpy Generator
        Not used: the intervals have formulas.

    Raises
    ------
    WrongUse
        If a field given with --by or --adjust does not exist or cannot be used.
    """
    about = numbers.gather(data, ask)
    rows = about.rows_used()
    found, notes = numbers.effects(about)
    if not found:
        left = sum(len(v) for v in rows.left_out.values())
        groups = len(about.parts[0].names) if about.parts else 0
        why = (
            f"Too little to answer: {rows} in {groups} group{'' if groups == 1 else 's'} to compare; {left} records "
            f"could not be used. At least {numbers.LEAST_TRIALS} trials that say how they ended or whether ants met "
            "the intruder are needed in each of two groups, each group in two blocks or more."
        )
        return Intruders((), {}, rows, why, about)
    told = {} if ask.only_effects else tables(about)
    return Intruders((replace(found[0], main=True), *found[1:]), told, rows, "", about, notes)


def doubts(data: StudyData, found: Intruders) -> tuple[Doubt, ...]:
    """Say what could mislead."""
    return intruders_doubts(data, found.about, found.effects, found.notes)


def figure(found: Intruders) -> Chart | None:
    """Draw the share of intruders excluded over the minutes since release, one curve a group."""
    if "excluded_over_time" not in found.tables:
        return None
    table = found.tables["excluded_over_time"]
    kind = table["intruders"][0]
    own = table.filter(pl.col("intruders") == kind)
    names = found.about.parts[0].names
    of = "vertebrate intruders" if kind == "vertebrates" else "intruders"
    return curves(
        own,
        names,
        Words(
            f"Share of {of} put off the plant",
            f"Share of {of} that ants had excluded over the minutes since release, for {', '.join(names)}, with 95 % "
            "bands; intruders that left by themselves stay in the count as not excluded.",
            "Minutes since release",
            "Share excluded",
        ),
        stepped=False,
    )


def _on(column: str, name: str) -> str:
    """Name the trials of one group."""
    if column == "treatment":
        return f"on {name} plants"
    if column == "ant":
        return "on vacant plants" if name == "vacant" else f"on plants held by {name}"
    if column in ("intruder", "day_part"):
        return f"with {name} as intruder" if column == "intruder" else f"by {name}"
    return f"on plants with {column.replace('_', ' ')} '{name}'"


def sentence(found: Intruders, why_doubt: Sequence[Doubt]) -> str:
    """Answer in words."""
    if found.too_little:
        return found.too_little
    told = [_shares(found), _speed(found)]
    grave = [d for d in why_doubt if d.severity != "note"]
    return " ".join(t for t in told if t) + (f" But: {grave[0].text}" if grave else "")


def _shares(found: Intruders) -> str:
    main = found.effects[0]
    column = found.about.groups.column
    kind = main.name.removesuffix("_difference")
    each = {e.of: e for e in found.effects if e.name == f"{kind}_share" and e.where == main.where}
    if main.of not in each or main.against not in each:
        return ""
    verb = "were excluded" if kind == "excluded" else "were met by an ant"
    one, other = each[main.of], each[main.against]
    what = (
        f"{share(one.estimate)} of intruders {verb} {main.where.removeprefix(numbers.VERTEBRATES)} "
        f"{_on(column, main.of)} and {share(other.estimate)} {_on(column, main.against)} (95 % intervals "
        f"{bounds(one, share)} and {bounds(other, share)})"
    )
    if main.where.startswith(numbers.VERTEBRATES):
        what = what.replace("of intruders", "of vertebrate intruders", 1)
    low, high = 100 * main.low, 100 * main.high
    if low > 0 or high < 0:
        gap = f"{abs(100 * main.estimate):.0f} percentage points {'fewer' if main.estimate < 0 else 'more'}"
        near, far = sorted((abs(low), abs(high)))
        return f"{what}: {gap} (95 % interval {near:.0f} to {far:.0f})."
    return (
        f"No difference was shown: {what}; the difference lies between {abs(low):.0f} percentage points fewer and "
        f"{abs(high):.0f} more (95 % interval)."
    )


def _speed(found: Intruders) -> str:
    main = found.effects[0]
    for name, does in (
        ("contact_hazard_ratio", "met the intruder"),
        ("exclusion_hazard_ratio", "excluded the intruder"),
    ):
        for e in found.effects:
            if e.name == name and (e.of, e.against) == (main.of, main.against):
                column = found.about.groups.column
                told = (
                    f"Ants {does} {number(e.estimate)} times as fast {_on(column, e.of)} as {_on(column, e.against)} "
                    f"(95 % interval {bounds(e)})"
                )
                return told + ("." if e.low > 1 or e.high < 1 else ", which shows no difference.")
    return ""


def _trials_there(data: StudyData) -> bool:
    return data.table("trial").height > 0


def _ends_told(data: StudyData) -> bool:
    table = data.table("trial")
    return any(table[c].count() for c in ("ended", "excluded_s", "first_contact_s", "contacts"))


QUESTION = Question(
    code="intruders",
    asks="What happens to an intruder?",
    needs=(
        Need("trials with an intruder on a plant", _trials_there),
        Need("how trials ended, or when ants first met the intruder", _ends_told),
    ),
    sources=(
        "Aalen OO, Johansen S 1978. An empirical transition matrix for non-homogeneous Markov chains based on censored "
        "observations. Scand. J. Stat. 5:141-150.",
        "Cox DR 1972. Regression models and life-tables. J. R. Stat. Soc. B 34:187-220.",
        "Lin DY, Wei LJ 1989. The robust inference for the Cox proportional hazards model. JASA 84:1074-1078.",
        "McCullagh P 1980. Regression models for ordinal data. J. R. Stat. Soc. B 42:109-142.",
        "Pacelhe FT, Costa FV, Neves FS, Bronstein J, Mello MAR 2019. Nectar quality affects ant aggressiveness and "
        "biotic defense provided to plants. Biotropica 51. doi 10.1111/btp.12625.",
    ),
    method=(
        "Trials ended by exclusion of the intruder, by its leaving, which was taken as a competing event, or when "
        "watching stopped (time up or wind). Shares excluded and met were estimated by the Aalen-Johansen estimator, "
        "hazards of contact and of exclusion, from release and from first contact, were compared by Cox regression "
        "with Efron ties and a column for each intruder, and ordered responses by the cumulative logit. Contacts per "
        "minute and attacks per contact are ratios of sums. Standard errors are clustered by block (by plant where "
        "there are no blocks), with t quantiles below 40 clusters. Vertebrates were analysed apart."
    ),
    estimate=estimate,
    doubts=doubts,
    figure=figure,
    sentence=sentence,
)
