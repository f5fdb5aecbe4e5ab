"""Survival estimators against npsurv, survreg and glm on the bench study: seconds, ratio and agreement.

usage: python bench/survival.py PREFIX [PREFIX_OF_TEN_TIMES] [--tasks npmle,weibull,cloglog,npmle-large]

PREFIX_plants.csv and PREFIX_visits.csv are the simulated study. Ours is the median of five fits from
arrays, the peer's the median of three in R right after (one fit for the large study). Seconds are the
processor's, so that other jobs on the machine do not count; both use one thread.
"""

import argparse
import csv
import json
import os
import pathlib
import shutil
import statistics
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from domatia.stats.arrays import Floats
from domatia.stats.cloglog import BinomialRows, cloglog
from domatia.stats.npmle import npmle
from domatia.stats.weibull import weibull

PEER = pathlib.Path(__file__).parents[1] / "reference" / "bench-survival" / "peer.R"
NAMES = {"npmle": "npsurv", "npmle-large": "npsurv", "weibull": "survreg", "cloglog": "glm"}
NEED = {"npmle": 8.0, "npmle-large": 200.0, "weibull": 2.0, "cloglog": 5.0}
TOLERANCE = {"npmle": 1e-8, "npmle-large": 1e-8, "weibull": 1e-8, "cloglog": 1e-7}
LARGEST_GAP = 1e-6
Row = dict[str, object]


@dataclass(frozen=True, eq=False)
class Numbers:
    """What a program reports.

    Attributes
    ----------
    seconds : float
        Median of the runs.
    values : array
        Log-likelihoods.
    coefficients : array
        Estimates (the scale last) and, where both report the same, standard errors.
    gap : float
        Certified distance from the optimum, where there is one.
    """

    seconds: float
    values: Floats
    coefficients: Floats
    gap: float = 0.0


def columns(path: str, names: tuple[str, ...]) -> Floats:
    """Read columns of a CSV table; an empty cell is nan."""
    with pathlib.Path(path).open(newline="") as file:
        rows = csv.reader(file)
        header = next(rows)
        places = [header.index(name) for name in names]
        table = [[float(row[i]) if row[i] else np.nan for i in places] for row in rows]
    return np.ascontiguousarray(np.array(table).T)


def timed(fit: Callable[[], object], runs: int = 5) -> float:
    """Run a fit several times and return the median processor seconds."""
    fit()
    seconds = []
    for _ in range(runs):
        start = time.process_time()
        fit()
        seconds.append(time.process_time() - start)
    return statistics.median(seconds)


def plants(prefix: str) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Give left, right, treatment, light and habitat of plants with information."""
    left, right, event, treat, light, habitat = columns(
        f"{prefix}_plants.csv", ("left", "right", "event", "treat", "light0", "habitat")
    )
    right = np.where(event == 1, right, np.inf)
    kept = (right > 0) & ((left > 0) | np.isfinite(right))
    return left[kept], right[kept], treat[kept], light[kept], habitat[kept]


def ours_npmle(prefix: str) -> Numbers:
    """Fit the curve of each treatment."""
    left, right, treat, *_ = plants(prefix)
    arms = [(left[treat == arm], right[treat == arm]) for arm in (0, 1)]
    fits = [npmle(*arm) for arm in arms]
    seconds = sum(timed(partial(npmle, *arm)) for arm in arms)
    values = np.array([fit.log_likelihood for fit in fits])
    return Numbers(seconds, values, np.array([]), max(fit.gap for fit in fits))


def ours_weibull(prefix: str) -> Numbers:
    """Fit the Weibull regression on treatment, light and habitat."""
    left, right, treat, light, habitat = plants(prefix)
    X = np.column_stack([treat, light, *[habitat == h for h in (1, 2, 3)]])
    fit = weibull(left, right, X)
    errors = np.sqrt(np.diag(fit.uncertainty.covariance))
    coefficients = np.concatenate([fit.coefficients.estimate, fit.scale.estimate, errors])
    return Numbers(timed(lambda: weibull(left, right, X)), np.array([fit.log_likelihood]), coefficients)


def ours_cloglog(prefix: str) -> Numbers:
    """Fit the chance of death between visits on treatment, light, occupant and year."""
    names = ("plant", "day", "state", "treat", "light", "occ", "yr")
    table = columns(f"{prefix}_visits.csv", names)
    plant, day, state, treat, light, occ, yr = table[:, np.lexsort((table[1], table[0]))]
    at = np.flatnonzero((plant[1:] == plant[:-1]) & (state[:-1] != 6))
    year = np.digitize(yr[at], [1, 2, 3, 4, 5], right=True)
    X = np.column_stack([np.ones(len(at)), treat[at], light[at], occ[at], *[year == k for k in range(1, 6)]])
    rows = BinomialRows((state[at + 1] == 6).astype(np.int64), X, np.log(day[at + 1] - day[at]))
    fit = cloglog(rows)
    coefficients = np.concatenate([fit.coefficients.estimate, fit.coefficients.se])
    return Numbers(timed(lambda: cloglog(rows)), np.array([fit.log_likelihood]), coefficients)


OURS: dict[str, Callable[[str], Numbers]] = {
    "npmle": ours_npmle,
    "npmle-large": ours_npmle,
    "weibull": ours_weibull,
    "cloglog": ours_cloglog,
}


def peer(prefix: str, task: str) -> Numbers:
    """Run the peer in R on one thread."""
    rscript = shutil.which("Rscript")
    if rscript is None:
        raise SystemExit("Rscript is not installed; the peers need R with survival and npsurv")
    kind, runs = ("npmle", "1") if task == "npmle-large" else (task, "3")
    done = subprocess.run(
        [rscript, str(PEER), str(prefix), kind, runs],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    )
    found = json.loads(done.stdout.strip().splitlines()[-1])
    return Numbers(float(found["seconds"]), np.array(found["values"]), np.array(found["coefficients"]))


def compare(prefix: str, task: str) -> Row:
    """Run ours and the peer and return one row of the table."""
    mine, theirs = OURS[task](prefix), peer(prefix, task)
    shift = float(np.abs(mine.values - theirs.values).max())
    ahead = float((mine.values - theirs.values).min())
    if task.startswith("npmle"):
        agree = ahead > -TOLERANCE[task] and shift < 1e-4 and mine.gap < LARGEST_GAP
        words = f"log L {ahead:+.1e} against the peer's, certified gap {mine.gap:.1e}"
    else:
        apart = float(np.abs(mine.coefficients - theirs.coefficients).max())
        agree = apart < TOLERANCE[task] and shift < 1e-6
        words = f"coefficients and errors within {apart:.1e}, log L within {shift:.1e}"
    ratio = theirs.seconds / mine.seconds
    return {
        "task": f"survival, {task}",
        "peer": NAMES[task],
        "ours_s": round(mine.seconds, 5),
        "peer_s": round(theirs.seconds, 4),
        "ratio": round(ratio, 1),
        "need": NEED[task],
        "agreement": words,
        "agrees": bool(agree),
        "reached": bool(agree and ratio >= NEED[task]),
    }


def rows(prefix: str, ten_times: str | None = None, tasks: tuple[str, ...] = tuple(NEED)) -> list[Row]:
    """Compare the tasks; the large one needs the study of ten times the size."""
    table = []
    for task in tasks:
        where = ten_times if task == "npmle-large" else prefix
        if where is not None:
            table.append(compare(where, task))
    return table


def run(prefix: str, ten_times: str | None = None, tasks: tuple[str, ...] = tuple(NEED)) -> list[Row]:
    """Do the same as `rows`, under the name that the other benches use."""
    return rows(prefix, ten_times, tasks)


def main() -> None:
    """Print the table, a line a task."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("prefix", help="path of the study without _plants.csv")
    parser.add_argument("ten_times", nargs="?", default=None, help="the same for the large study")
    parser.add_argument("--tasks", default=",".join(NEED))
    asked = parser.parse_args()
    for task in asked.tasks.split(","):
        for row in rows(asked.prefix, asked.ten_times, (task,)):
            print(json.dumps(row), flush=True)


if __name__ == "__main__":
    main()
