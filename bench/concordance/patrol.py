"""The sun's place, circular statistics and the harmonic count model, and their sources' values."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
from bench.concordance import Row

from domatia.questions.patrol_numbers import Cell, fit_cell, night_to_day
from domatia.stats.circular import mean_direction, rayleigh, watson_two_samples
from domatia.stats.sun import seen_from

NREL = "Reda & Andreas, NREL/TP-560-34302, worked example"
CIRCULAR = "R circular 0.4-95 (reference/circular)"
GLMMTMB = "glmmTMB 1.1.5 (reference/patrol)"
COUNTS = Path(__file__).parents[2] / "reference" / "patrol" / "counts.csv"


def rows() -> list[Row]:
    """Give the rows."""
    return [*_sun(), *_circular(), *_model()]


def _sun() -> list[Row]:
    moment = np.array([datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC).timestamp()])
    seen = seen_from(moment, -105.1786, 39.742476, height_m=1830.14, pressure_mbar=820.0, air_c=11.0)
    told = (("zenith", seen.zenith, 50.11), ("azimuth", seen.azimuth, 194.34))
    return [
        Row(
            "patrol",
            f"sun 2003-10-17 12:30:30 -7 h: {n} (degrees)",
            "stats.sun.seen_from",
            float(v[0]),
            theirs,
            2,
            NREL,
        )
        for n, v, theirs in told
    ]


def _circular() -> list[Row]:
    one = np.array([6.2, 7.1, 7.9, 8.4, 9.3, 10.0, 11.6, 5.5, 4.8, 12.7, 23.1, 8.8]) * np.pi / 12
    two = np.array([18.4, 19.9, 20.3, 22.8, 23.5, 1.2, 7.4, 21.0, 17.2, 16.6]) * np.pi / 12
    tied = [np.radians(np.array(v, dtype=np.float64)) for v in _TIED]
    told = (
        ("mean direction of 12 hours (radians)", mean_direction(one).mean, 2.10722543974, ""),
        ("mean resultant length", mean_direction(one).length, 0.695064846072, ""),
        ("Rayleigh's test: p", rayleigh(one).p, 0.00161805927779, ""),
        ("Watson's two-sample U²", watson_two_samples(one, two).statistic, 0.286742424242, ""),
        (
            "Watson's two-sample U² with ties",
            watson_two_samples(*tied).statistic,
            0.320512820513,
            "that program lets equal values of the two samples follow one another, so that its U² depends on which "
            "sample is named first; here they are one step",
        ),
    )
    return [Row("patrol", w, "stats.circular", ours, theirs, 8, CIRCULAR, why) for w, ours, theirs, why in told]


_TIED = (
    (50, 290, 300, 300, 305, 320, 330, 330, 335, 340, 340, 355),
    (70, 155, 190, 195, 215, 235, 235, 240, 255, 260, 290, 300, 300, 300),
)


def _model() -> list[Row]:
    table = pl.read_csv(COUNTS).select(
        "hour", "ants",
        plant=pl.col("plant"), unit=pl.col("plant"), cluster=pl.col("block"),
        position=pl.when(pl.col("tip") == 1).then(pl.lit("tip")).otherwise(pl.lit("base")),
        disturbed=pl.col("after") == 1, extent=pl.col("length_m"), day_h=pl.lit(12.0),
    )  # fmt: skip
    found = fit_cell(Cell("scan", "ants", table, 2, "block"))
    if found is None:
        return []
    theirs = (1.585235928, 0.5058618096, 0.9577264642, -0.5138570683, 0.07051927464, 0.1935387666, -0.1053733361)
    told = [
        (f"log rate: {name}", float(b), t)
        for name, b, t in zip(found.columns, found.fit.coefficients, theirs, strict=True)
    ]
    told.append(("log L", found.fit.loglik, -929.8838956))
    told.append(("log ratio of night to day", night_to_day(found)[0], -0.7008331351))
    return [
        Row("patrol", f"scans of 8 blocks, {w}", "questions.patrol_numbers.fit_cell", o, t, 5, GLMMTMB)
        for w, o, t in told
    ]
