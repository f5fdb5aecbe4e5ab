"""Does each question's 95 % interval hold the truth 95 times in 100?

Simulated studies are answered in memory by the study's own questions, and each named effect is compared with its truth,
which is counted on many simulated plants (`domatia.lifecycle.truth`).
"""

import json
import math
import os
import sys
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import polars as pl
from bench.ledger import Ledger

from domatia.lifecycle.layers import ALL as LAYERS
from domatia.lifecycle.observe import observe
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.truth import truth
from domatia.model import Ask, StudyData
from domatia.model.identity import named_id
from domatia.questions import answer

TRUTH_SEED = 20_261_125
POOLED = ("founding", "takeover")
"""Questions whose truth is counted with sham and control plants together."""
CHANCE_GROUPS = 60
LOGARITHMIC = ("intensity", "mean_stay", "reoccupied_halving_distance", "visits_needed_constant_chance")
"""Beside ratios: effects whose interval is made on the log scale."""
LEAST, MOST = 0.91, 0.98


@dataclass(frozen=True)
class Row:
    """How one effect came out over the seeds.

    Attributes
    ----------
    effect : str
        Question, name, of, against and where.
    truth : float
    studies : int
        Studies that gave it.
    coverage : float
        Share of intervals that hold the truth.
    bias : float
        Mean estimate minus truth, on the scale on which the interval is made (log for ratios).
    spread : float
        Standard deviation of the estimates on that scale.
    error_ratio : float
        Mean standard error over `spread`.
    """

    effect: str
    truth: float
    studies: int
    coverage: float
    bias: float
    spread: float
    error_ratio: float

    @property
    def holds(self) -> bool:
        """Whether coverage and standard errors are as they should be."""
        return LEAST <= self.coverage <= MOST and 0.9 <= self.error_ratio <= 1.1


Told = tuple[str, float, float, float, float | None]


def without_blocks(data: StudyData) -> StudyData:
    """Give the study as an analysis sees it that ignores its blocks: plants gathered by chance."""
    tables = dict(data.tables)
    plants = tables["plant"]["subject_id"].to_list()
    chance = pl.DataFrame(
        {"plant": plants, "block": [named_id(b"", "place", str(p[-1] % CHANCE_GROUPS)) for p in plants]},
        schema={"plant": pl.Binary, "block": pl.Binary},
    )
    tables["plant"] = tables["plant"].with_columns(place=pl.lit(None, pl.Binary))
    given = tables["assignment"]
    tables["assignment"] = given.drop("block").join(chance, on="plant", how="left").select(given.columns)
    return replace(data, tables=tables)


def effects_of(spec: Spec, codes: Sequence[str], ignore_blocks: bool, seed: int) -> list[Told]:
    """Answer one simulated study: key, estimate, low, high and standard error of every effect."""
    data = observe(spec, seed, questions=codes)
    if ignore_blocks:
        data = without_blocks(data)
    found = []
    for code in codes:
        for e in answer(code, data, Ask(seed=seed, pool=code in POOLED, only_effects=True)).effects:
            key = "/".join((code, e.name, e.of, e.against, e.where))
            found.append((key, e.estimate, e.low, e.high, e.standard_error))
    return found


def on_scale(name: str, value: float) -> float:
    """Put a value on the scale on which its interval is symmetric."""
    logarithmic = name in LOGARITHMIC or ("ratio" in name and "log_ratio" not in name)
    return math.log(value) if logarithmic and value > 0 else value


def summarise(told: Iterable[list[Told]], truths: dict[str, float]) -> list[Row]:
    """Compare the effects of many studies with their truths; effects without a truth are left out."""
    by_key: dict[str, list[Told]] = {}
    for study in told:
        for one in study:
            by_key.setdefault(one[0], []).append(one)
    rows = []
    for key, found in sorted(by_key.items()):
        name, true = key.split("/")[1], truths.get(key)
        if true is None or (true == 0.0 and name in LOGARITHMIC):
            continue
        held = sum(low <= true <= high for _, _, low, high, _ in found)
        values = [on_scale(name, e) for _, e, _, _, _ in found]
        mean = sum(values) / len(values)
        spread = math.sqrt(sum((v - mean) ** 2 for v in values) / max(len(values) - 1, 1))
        errors = [s for *_, s in found if s is not None]
        ratio = sum(errors) / len(errors) / spread if errors and spread > 0 else math.nan
        rows.append(Row(key, true, len(found), held / len(found), mean - on_scale(name, true), spread, ratio))
    return rows


def truths_of(spec: Spec, plants: int, cache: Path | None = None) -> dict[str, float]:
    """Count the truths, or read them from `cache` if they were counted for the same specification.

    What layers say is true is never read from the cache, since it is made in a moment.
    """
    name = repr((spec, plants, TRUTH_SEED))
    drawn = {v.key: v.value for layer in LAYERS for v in layer.truth(spec, TRUTH_SEED)}
    if cache is not None and cache.exists():
        kept = json.loads(cache.read_text(encoding="utf-8"))
        if kept["of"] == name:
            return {k: float(v) for k, v in kept["truths"].items()} | drawn
    found = {k: v.value for k, v in truth(spec, TRUTH_SEED, plants).items()}
    if cache is not None:
        cache.write_text(json.dumps({"of": name, "truths": found}), encoding="utf-8")
    return found


def calibrate(
    spec: Spec,
    codes: Sequence[str],
    seeds: Sequence[int],
    truths: dict[str, float],
    *,
    workers: int = 1,
    ignore_blocks: bool = False,
) -> list[Row]:
    """Answer one study a seed and compare; the result does not depend on the number of workers."""
    one = partial(effects_of, spec, tuple(codes), ignore_blocks)
    if workers == 1:
        return summarise(map(one, seeds), truths)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("POLARS_MAX_THREADS", "1")
    with ProcessPoolExecutor(workers) as pool:
        return summarise(pool.map(one, seeds, chunksize=2), truths)


def calibrate_on(
    spec: Spec, code: str, seeds: Sequence[int], truths: dict[str, float], ledger: Ledger, workers: int
) -> tuple[list[Row], int]:
    """Answer one study a seed and compare, going on from what the ledger holds.

    Returns
    -------
    list of Row
    int
        Studies in which the question could not be answered at all.
    """
    asked = f"calibrate {code} {spec!r}"
    wanting = ledger.wanting(asked, seeds)
    one = partial(effects_of, spec, (code,), False)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("POLARS_MAX_THREADS", "1")
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for done, (seed, told) in enumerate(zip(wanting, pool.map(one, wanting, chunksize=2), strict=True), 1):
            ledger.note(asked, seed, told)
            if done % 20 == 0 or done == len(wanting):
                print(f"{code}: {done} of {len(wanting)} studies", file=sys.stderr, flush=True)
    held = ledger.done(asked)
    studies = [[_told(e) for e in held[s]] for s in seeds]
    return summarise(studies, truths), sum(not t for t in studies)


def _told(kept: Sequence[Any]) -> Told:
    key, estimate, low, high, error = kept
    return str(key), float(estimate), float(low), float(high), None if error is None else float(error)


def table(rows: Sequence[Row]) -> str:
    """Write the rows as a table of text."""
    head = f"{'effect':<86} {'truth':>9} {'n':>4} {'cover':>6} {'bias':>8} {'spread':>8} {'se/spread':>9}"
    lines = [
        f"{r.effect[:86]:<86} {r.truth:9.4f} {r.studies:4d} {r.coverage:6.3f} {r.bias:8.4f} {r.spread:8.4f} "
        f"{r.error_ratio:9.3f}{'' if r.holds else '  <'}"
        for r in rows
    ]
    return "\n".join([head, *lines])


__all__ = ["Row", "calibrate", "calibrate_on", "effects_of", "summarise", "table", "truths_of"]
