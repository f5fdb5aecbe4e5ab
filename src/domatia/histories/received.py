"""The treatment that plants received, beside the one they were assigned; and how many of them were followed."""

import polars as pl

from domatia.histories.deaths import death_intervals, followed
from domatia.histories.facts import plant_facts
from domatia.histories.looks import DIED, FOUNDING, UNKNOWN, VACANT, after_removals, last_known, looks, roles_of
from domatia.histories.moments import position
from domatia.model.study import StudyData

_ACTS = ("mechanical removal", "insecticide", "sham")


def _experiment(data: StudyData) -> pl.DataFrame:
    facts = plant_facts(data).filter(pl.col("treatment").is_not_null())
    return facts.select("plant", "treatment", "role", start=position("start"))


def treatment_flow(data: StudyData) -> pl.DataFrame:
    """Give, by treatment, the way from plants assigned to plants analysed.

    Returns
    -------
    polars.DataFrame
        `treatment`, `assigned`, `never_seen_alive`, `seen_once`, `followed`, `found_dead`, `lost` (followed, and not
        found at their last look), `alive_at_end`.
    """
    plants = _experiment(data)
    deaths = death_intervals(data, plants.select("plant", "start").filter(pl.col("start").is_not_null()))
    kept = followed(deaths).select("plant", "right", "lost")
    table = plants.join(kept.with_columns(kept=True), on="plant", how="left")
    table = table.join(deaths.table.select("plant", ever=True), on="plant", how="left")
    dead, gone = pl.col("right").is_not_null(), pl.col("lost").is_not_null()
    return (
        table.group_by("treatment")
        .agg(
            assigned=pl.len(),
            never_seen_alive=pl.col("ever").is_null().sum(),
            seen_once=(pl.col("ever").is_not_null() & pl.col("kept").is_null()).sum(),
            followed=pl.col("kept").is_not_null().sum(),
            found_dead=dead.sum(),
            lost=(gone & ~dead).sum(),
            alive_at_end=(pl.col("kept").is_not_null() & ~dead & ~gone).sum(),
        )
        .sort("treatment")
    )


def treatment_received(data: StudyData) -> pl.DataFrame:
    """Give, by treatment, what was really done and how long plants were free of ants.

    Returns
    -------
    polars.DataFrame
        `treatment`, `assigned`, `treated` (plants with a removal or sham on record), `treated_again`,
        `share_of_days_vacant` (of the plant-days whose state at the last look is known; a plant whose ants were taken
        off then is vacant; where a step begins vacant and ends held, or the other way, half of it counts),
        `occupied_again` (plants seen or made vacant and later held by an ant),
        `median_days_to_it`, `lost_colony` (plants held at the start and later seen vacant; null
        for removal).
    """
    plants = _experiment(data)
    acts = data.table("intervention").filter(pl.col("kind").is_in(_ACTS))
    times = acts.group_by("plant").agg(times=pl.len())
    states = _states(data, plants)
    per = states.group_by("plant").agg(
        vacant_days=(pl.col("days") * pl.col("vacant_share")).sum(),
        known_days=pl.col("days").filter(pl.col("known").is_not_null()).sum(),
    )
    table = plants.join(times, on="plant", how="left").join(per, on="plant", how="left")
    table = table.join(_again(states), on="plant", how="left")
    return (
        table.group_by("treatment")
        .agg(
            assigned=pl.len(),
            treated=pl.col("times").is_not_null().sum(),
            treated_again=(pl.col("times") > 1).sum(),
            share_of_days_vacant=pl.col("vacant_days").sum() / pl.col("known_days").sum(),
            occupied_again=pl.col("days_to_it").is_not_null().sum(),
            median_days_to_it=pl.col("days_to_it").median(),
            lost_colony=pl.when((pl.col("role") == "removal").any().not_()).then(
                pl.col("lost_colony").fill_null(False).sum()
            ),
        )
        .sort("treatment")
    )


def occupied_again_by(data: StudyData) -> pl.DataFrame:
    """Give, by treatment and ant, how many vacant plants were taken, and the role of that ant.

    Returns
    -------
    polars.DataFrame
        `treatment`, `ant`, `role`, `plants`, `median_days`.
    """
    plants = _experiment(data)
    again = _again(_states(data, plants)).filter(pl.col("ant").is_not_null())
    roles = roles_of(data)
    table = plants.select("plant", "treatment").join(again, on="plant")
    table = table.group_by("treatment", "ant").agg(plants=pl.len(), median_days=pl.col("days_to_it").median())
    named = pl.col("ant").replace_strict(roles, default="not stated", return_dtype=pl.String)
    return (
        table.with_columns(role=named)
        .select("treatment", "ant", "role", "plants", "median_days")
        .sort("treatment", "ant")
    )


def _states(data: StudyData, plants: pl.DataFrame) -> pl.DataFrame:
    seen = last_known(after_removals(looks(data), data), "after").join(plants.select("plant", "start"), on="plant")
    seen = seen.with_columns(days=(pl.col("t").shift(-1).over("plant") - pl.col("t")).fill_null(0.0))
    # the last look before the start says what the plant was like at the start
    later = (
        pl.col("start").is_null() | (pl.col("t") + pl.col("days") > pl.col("start")) | (pl.col("t") == pl.col("start"))
    )
    empty = pl.col("known") == VACANT
    then = pl.col("state").shift(-1).over("plant")
    goes = then.is_not_null() & ~then.is_in([UNKNOWN, DIED, FOUNDING]) & ((then == VACANT) != empty)
    seen = seen.with_columns(vacant_share=pl.when(goes).then(0.5).when(empty).then(1.0).otherwise(0.0))
    seen = seen.with_columns(begun=pl.max_horizontal("t", "start"))
    seen = seen.with_columns(days=pl.max_horizontal(pl.lit(0.0), pl.col("t") + pl.col("days") - pl.col("begun")))
    kept = seen.filter((pl.col("state") != DIED) & (later | (pl.col("t") > pl.col("start"))))
    return kept.with_columns(t="begun").drop("begun")


def _again(states: pl.DataFrame) -> pl.DataFrame:
    """Give, for each plant, the days from the first look that left it vacant to the first later one that saw an ant.

    A look at which, or soon after which, ants were taken off leaves the plant vacant.
    """
    sure = states.filter(~pl.col("state").is_in([UNKNOWN, "founding"]))
    vacant = states.filter(pl.col("after") == VACANT).group_by("plant").agg(
        empty=pl.col("t").min(), last=pl.col("t").filter(pl.col("state") == VACANT).max()
    )  # fmt: skip
    held = sure.filter(pl.col("state") != VACANT)
    taken = held.join(vacant, on="plant").filter(pl.col("t") > pl.col("empty")).sort("plant", "t")
    taken = taken.group_by("plant", maintain_order=True).agg(
        days_to_it=pl.col("t").first() - pl.col("empty").first(), ant=pl.col("state").first()
    )
    first_held = held.group_by("plant").agg(first_held=pl.col("t").min())
    lost = vacant.join(first_held, on="plant").select("plant", lost_colony=pl.col("last") > pl.col("first_held"))
    return vacant.select("plant").join(taken, on="plant", how="left").join(lost, on="plant", how="left")


def before_treatment(data: StudyData) -> pl.DataFrame:
    """Give, by treatment, what plants were like at their last visit before the treatment began.

    Returns
    -------
    polars.DataFrame
        `treatment`, `plants`, then mean and standard deviation of height, shoots and openness, and the share held by
        an ant.
    """
    plants = _experiment(data)
    visits = data.table("visit").with_columns(t=position()).join(plants, on="plant")
    visits = visits.filter((pl.col("t") <= pl.col("start")) & (pl.col("status") == "alive"))
    last = visits.sort("plant", "t", "record_id").unique("plant", keep="last", maintain_order=True)
    states = looks(data).select("record_id", "state")
    last = last.join(states, on="record_id", how="left")
    held = ~pl.col("state").is_in([VACANT, "founding"])
    measures = [c for c in ("height_cm", "shoots", "openness_pct") if last[c].null_count() < last.height]
    return (
        last.group_by("treatment")
        .agg(
            plants=pl.len(),
            **{f"{c}_mean": pl.col(c).mean() for c in measures},
            **{f"{c}_sd": pl.col(c).std() for c in measures},
            share_held=held.filter(pl.col("state").is_not_null() & (pl.col("state") != UNKNOWN)).mean(),
        )
        .sort("treatment")
    )


__all__ = ["before_treatment", "occupied_again_by", "treatment_flow", "treatment_received"]
