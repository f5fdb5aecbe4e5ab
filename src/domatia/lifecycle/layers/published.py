"""A table of effects that others published: invented studies whose true effects scatter around a known mean."""

from collections.abc import Iterable, Mapping

import numpy as np
import polars as pl

from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import Floats
from domatia.lifecycle.true_value import TrueValue

STUDIES = 14
LOG_HAZARD, LOG_RESPONSE = 0.55, 0.40
BETWEEN, WITHIN = 0.20, 0.10
_PLANTS = (24, 90)
_AUTHORS = (
    "Abernetty", "Borlace", "Crowhurst-Vane", "Dunmallet", "Eskerby", "Farrowdale", "Gantry & Holm", "Hesketh-Orme",
    "Ivelchester", "Jessop & Thrale", "Kettlewath", "Lornemoor", "Marchbank-Ure", "Nithersole",
)  # fmt: skip
_HOSTS = ("lantern tree", "bell thorn", "hollow ashling")


def draw(book: Notebook, rng: np.random.Generator) -> Mapping[str, pl.DataFrame]:
    """Draw the table: hazard ratios for survival, response ratios for damage, two studies giving two effects each.

    One study compares two treatments with the same control plants; one prints its effect the other way round.
    """
    help_ = book.spec.help
    survival = _effects(rng, help_ * LOG_HAZARD)
    damage = _effects(rng, help_ * LOG_RESPONSE)
    hazards = _hazards(rng, survival)
    return {"published_effect": pl.concat([hazards, _means(rng, damage)], how="diagonal_relaxed")}


def _effects(rng: np.random.Generator, mean: float) -> tuple[list[int], Floats]:
    """Draw true effects: one a study, two in the first two studies."""
    study = [0, 0, 1, 1, *range(2, STUDIES)]
    of_study = mean + BETWEEN * rng.standard_normal(STUDIES)
    return study, of_study[study] + WITHIN * rng.standard_normal(len(study))


def _named(study: list[int], outcome: str, measure: str, apart: str) -> dict[str, object]:
    second = [study[:i].count(s) for i, s in enumerate(study)]
    return {
        "study": [f"{_AUTHORS[s]} {1996 + 2 * s}" for s in study],
        "source": [f"{_AUTHORS[s]}, {1996 + 2 * s}. Invented source." for s in study],
        "year": [1995 + 2 * s for s in study],
        apart: [f"{apart} {'AB'[k]}" if study.count(s) > 1 else None for s, k in zip(study, second, strict=True)],
        "host": [_HOSTS[s % len(_HOSTS)] for s in study],
        "outcome": [outcome] * len(study),
        "measure": [measure] * len(study),
    }


def _hazards(rng: np.random.Generator, effects: tuple[list[int], Floats]) -> pl.DataFrame:
    """Print log hazard ratios with their standard errors; the last study prints plants with ants first."""
    study, true = effects
    plants = rng.integers(*_PLANTS, len(study))
    error = np.sqrt(4.0 / (0.6 * 2 * plants))
    seen = true + error * rng.standard_normal(len(study))
    turned = np.array(study) == STUDIES - 1
    return pl.DataFrame(
        {
            **_named(study, "survival", "log hazard ratio", "site"),
            "treated": ["with ants" if t else "without ants" for t in turned.tolist()],
            "estimate": np.round(np.where(turned, -seen, seen), 4),
            "standard_error": np.round(error, 4),
            "n_treated": plants,
            "n_other": plants,
        }
    )


def _means(rng: np.random.Generator, effects: tuple[list[int], Floats]) -> pl.DataFrame:
    """Print means of leaf missing; in the first study two treatments share their control plants."""
    study, true = effects
    count = len(study)
    plants = rng.integers(*_PLANTS, count)
    plants[1] = plants[0]
    spread, other = 0.45, 12.0
    chance = rng.standard_normal(count) * spread / np.sqrt(plants)
    chance[1] = chance[0]
    control = other * (1 + chance)
    treated = other * np.exp(true) * (1 + rng.standard_normal(count) * spread / np.sqrt(plants))
    deviation = np.sqrt(rng.chisquare(plants - 1) / (plants - 1))
    of_control = np.sqrt(rng.chisquare(plants - 1) / (plants - 1))
    of_control[1] = of_control[0]
    first = np.array(study) == 0
    return pl.DataFrame(
        {
            **_named(study, "damage", "log response ratio", "taxon"),
            "treated": ["without ants"] * count,
            "mean_treated": np.round(treated, 4),
            "sd_treated": np.round(other * np.exp(true) * spread * deviation, 4),
            "n_treated": plants,
            "mean_other": np.round(control, 4),
            "sd_other": np.round(other * spread * of_control, 4),
            "n_other": plants,
            "shared_control": ["control plants" if f else None for f in first.tolist()],
        }
    )


def truth(spec: Spec, seed: int) -> Iterable[TrueValue]:
    """Give the means around which the studies' true effects scatter."""
    pair = ("without ants", "with ants")
    for name, mean, outcome in (
        ("pooled_hazard_ratio", LOG_HAZARD, "survival"),
        ("pooled_response_ratio", LOG_RESPONSE, "damage"),
    ):
        yield TrueValue("synthesis", name, *pair, outcome, float(np.exp(spec.help * mean)), "1")


PUBLISHED = Layer("published_effects", 13, ("synthesis",), draw, truth)
