"""The short tables of a simulated study: study, people, permits, places, plants, treatments, ants."""

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import polars as pl

from domatia.lifecycle.life import Life
from domatia.lifecycle.naming import Naming
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import BLOCK_SIDE_M
from domatia.lifecycle.study_rows import dates, links

PROFILE_TEXT = """# The profile of the invented study.
name = "lantern tree and its ants"
plant = "tree"
domatia = "swollen thorn"
tag_scope = "study"
dry_months = [12, 1, 2, 3]
residue_days = 14.0
barrier_days = 14.0
least_distance_m = 0.5

[ranges]
"visit.height_cm" = [3, 1200]
"visit.basal_mm" = [1, 300]
"visit.leaves" = [0, 2000]
"visit.domatia" = [0, 2000]
"visit.openness_pct" = [0, 100]

[taxa]
"Rust-gaster ant" = "defender"
"Velvet-eyed ant" = "defender"
"Straw-leg ant" = "defender"
"Idle amber ant" = "non-defending occupant"

[damage_classes]
"six classes" = [["0", 0, 0], ["1", 0, 6], ["2", 6, 12], ["3", 12, 25], ["4", 25, 50], ["5", 50, 100]]
"""

TREATMENT_TEXT = {
    "removal": "Ants are taken off with a short-lived insecticide or by hand, again whenever they are seen.",
    "sham": "The plant is handled and sprayed with water as often; its ants stay.",
    "control": "Nothing is done.",
}

LONGITUDE, LATITUDE = -80.5, 4.6
"""Of the invented sites, degrees: a point in the open ocean, for the hours of the sun."""

PERMITS = (
    ("removal", "LB-2021-044", "Lantern Basin Land Office", "removal of ants with insecticide and by hand"),
    ("access", "LB-2021-017", "Lantern Basin Land Office", "access, marking of plants, voucher specimens"),
)


def _one_date(frame: dict[str, object], name: str, first: date, last: date | None = None) -> None:
    frame[f"{name}_earliest"] = first
    frame[f"{name}_latest"] = last or first


def last_day(spec: Spec) -> date:
    """Give a day after the last visit."""
    return spec.start + timedelta(days=int(spec.months * 30.4375) + int(spec.crew.first_spread))


def block_name(spec: Spec, block: int) -> str:
    """Give the name of a block, such as HF03: the letters of its site and its number within the site."""
    site = spec.habitats[block % len(spec.habitats)].site
    return "".join(w[0] for w in site.split()[:2]) + f"{block // len(spec.habitats) + 1:02d}"


def _places(spec: Spec, ids: Naming) -> pl.DataFrame:
    rows: list[dict[str, object]] = [
        {
            "subject_id": ids.one("place", h.site),
            "name": h.site,
            "level": "site",
            "habitat": h.name,
            "longitude": LONGITUDE,
            "latitude": LATITUDE,
        }
        for h in spec.habitats
    ]
    for b in range(spec.blocks):
        home, side = spec.habitats[b % len(spec.habitats)], BLOCK_SIDE_M
        rows.append(
            {
                "subject_id": ids.one("place", f"block {b}"),
                "name": block_name(spec, b),
                "level": "block",
                "within": ids.one("place", home.site),
                "habitat": home.name,
                "outline": '{"type":"Polygon","coordinates":'
                f"[[[0,0],[{side:g},0],[{side:g},{side:g}],[0,{side:g}],[0,0]]]}}",
                "searched_m2": side * side,
            }
        )
    schema = {"subject_id": pl.Binary(), "name": pl.String(), "level": pl.String(), "habitat": pl.String(),
              "within": pl.Binary(), "outline": pl.String(), "searched_m2": pl.Float64(),
              "longitude": pl.Float64(), "latitude": pl.Float64()}  # fmt: skip
    return pl.DataFrame(rows, schema=schema)


def _plants(spec: Spec, life: Life, ids: Naming, plants: Sequence[bytes]) -> pl.DataFrame:
    stand = life.stand
    blocks = ids.named("place", [f"block {b}" for b in range(spec.blocks)])
    seen = dates(spec, life.rounds.block_start[stand.block] + life.rounds.day[0, stand.block])
    return pl.DataFrame(
        {
            "subject_id": pl.Series(plants, dtype=pl.Binary()),
            "species": [spec.plant_species] * stand.size,
            "place": links(blocks, stand.block),
            "x_m": np.round(stand.x_m, 1),
            "y_m": np.round(stand.y_m, 1),
            "uncertainty_m": np.full(stand.size, 0.3),
            "first_seen_earliest": seen,
            "first_seen_latest": seen,
            "origin": ["found as adult"] * stand.size,
        }
    )


def _assignments(spec: Spec, life: Life, ids: Naming, plants: Sequence[bytes]) -> pl.DataFrame:
    stand = life.stand
    blocks = ids.named("place", [f"block {b}" for b in range(spec.blocks)])
    start = dates(spec, life.rounds.block_start[stand.block])
    return pl.DataFrame(
        {
            "subject_id": pl.Series(ids.rows("assignment", stand.size), dtype=pl.Binary()),
            "plant": pl.Series(plants, dtype=pl.Binary()),
            "treatment": links(ids.named("treatment", [a.name for a in spec.arms]), stand.arm),
            "block": links(blocks, stand.block),
            "start_earliest": start,
            "start_latest": start,
            "draw_seed": np.full(stand.size, 20210222),
        }
    )


def _study(spec: Spec, ids: Naming) -> dict[str, object]:
    return {
        "subject_id": ids.one("study", spec.name),
        "title": spec.name,
        "licence": "CC0-1.0",
        "time_zone": "Etc/GMT+5",
        "profile": PROFILE_TEXT,
    }


def _intention(spec: Spec, ids: Naming) -> dict[str, object]:
    row: dict[str, object] = {
        "subject_id": ids.one("intention", "main"),
        "question": "survival",
        "contrast": "removal against sham",
        "horizon_days": 365.25 * spec.years,
        "exclusions": "none",
        "smallest_effect": "hazard ratio 1.3",
    }
    _one_date(row, "stated", spec.start - timedelta(days=7))
    return row


def _permits(spec: Spec, ids: Naming) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for key, number, issuer, allows in PERMITS:
        row: dict[str, object] = {
            "subject_id": ids.one("permit", key), "number": number, "issuer": issuer, "allows": allows,
        }  # fmt: skip
        _one_date(row, "valid", date(spec.start.year, 1, 1), last_day(spec))
        rows.append(row)
    return rows


def small_tables(spec: Spec, life: Life, ids: Naming, plants: Sequence[bytes]) -> dict[str, pl.DataFrame]:
    """Give the short tables by kind."""
    people = [
        {"subject_id": ids.one("person", p), "name": p, "role": "lead" if i == 0 else "crew"}
        for i, p in enumerate(spec.crew.people)
    ]
    treatments = [
        {"subject_id": ids.one("treatment", a.name), "name": a.name, "role": a.role, "text": TREATMENT_TEXT[a.role]}
        for a in spec.arms
    ]
    taxa = [{"subject_id": ids.one("taxon", a.name), "name": a.name} for a in spec.ants]
    roles = [
        {
            "subject_id": ids.one("taxon_role", a.name),
            "taxon": ids.one("taxon", a.name),
            "host": spec.plant_species,
            "role": "defender" if a.defends else "non-defending occupant",
        }
        for a in spec.ants
    ]
    return {
        "study": pl.DataFrame([_study(spec, ids)]),
        "person": pl.DataFrame(people),
        "permit": pl.DataFrame(_permits(spec, ids)),
        "place": _places(spec, ids),
        "plant": _plants(spec, life, ids, plants),
        "treatment": pl.DataFrame(treatments),
        "assignment": _assignments(spec, life, ids, plants),
        "intention": pl.DataFrame([_intention(spec, ids)]),
        "taxon": pl.DataFrame(taxa),
        "taxon_role": pl.DataFrame(roles),
    }
