"""Mixed models against lme4 and glmmTMB on the bench study: seconds, ratio and agreement.

usage: python bench/mixed.py PREFIX [--tasks linear,binomial,...] [--blocks N]

PREFIX_visits.csv is the simulated study. Ours is the median of three runs with standard errors; the peer runs once in
R, right after. Seconds are the processor's, so that other jobs on the machine do not count; both use one thread.
`--blocks N` keeps the first N blocks (for the slow peers).
"""

import argparse
import csv
import json
import pathlib
import shutil
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats
from domatia.stats.count_families import NegativeBinomial
from domatia.stats.families import Beta, BetaBinomial, Binomial, Family
from domatia.stats.mixed_fit import MixedFit, RandomTerm
from domatia.stats.mixed_laplace import LaplaceFit, fit_laplace
from domatia.stats.mixed_linear import fit_linear

PEERS = pathlib.Path(__file__).with_name("mixed_peers.R")
NEED = {"linear": 6.0, "binomial": 8.0, "negative_binomial": 40.0, "beta_binomial": 50.0, "beta": 5.0}
PEER = {"linear": "lme4"}
LOGLIK_TOLERANCE = 1e-5
ERROR_TOLERANCE = 1e-4
Table = dict[str, Floats]


@dataclass(frozen=True)
class Numbers:
    """What both programs report.

    Attributes
    ----------
    coefficients, errors : array
    loglik : float
    """

    coefficients: Floats
    errors: Floats
    loglik: float


def read(path: pathlib.Path) -> Table:
    """Read the visits of living plants by columns."""
    with path.open(newline="") as file:
        rows = csv.reader(file)
        names = next(rows)
        wanted = [names.index(name) for name in COLUMNS]
        state = names.index("state")
        values = [[float(row[i]) for i in wanted] for row in rows if row[state] != "6"]
    table = np.array(values)
    return {name: np.ascontiguousarray(table[:, i]) for i, name in enumerate(COLUMNS)}


COLUMNS = ("plant", "block", "treat", "yr", "light", "occ", "height", "leaves", "damaged", "prop", "herb")


def groups(d: Table) -> tuple[RandomTerm, RandomTerm]:
    """Return plants and blocks."""
    return RandomTerm("plant", d["plant"].astype(np.int64)), RandomTerm("block", d["block"].astype(np.int64))


def design(d: Table) -> tuple[Floats, tuple[str, ...]]:
    """Return the columns of the models of proportions and counts."""
    return np.column_stack([np.ones(len(d["yr"])), d["treat"], d["light"], d["occ"]]), ("1", "treat", "light", "occ")


def linear(d: Table) -> MixedFit:
    """Fit height with a random slope."""
    yr, treat = d["yr"], d["treat"]
    X = np.column_stack([np.ones(len(yr)), yr, treat, d["light"], yr * treat])
    plant, block = groups(d)
    random = (RandomTerm("plant", plant.groups, yr[:, None], ("yr",)), block)
    return fit_linear(d["height"], X, ("1", "yr", "treat", "light", "yr x treat"), random)


def laplace(family: Family, d: Table) -> LaplaceFit:
    """Fit a model of proportions or counts with plants in blocks."""
    return fit_laplace(family, *design(d), groups(d))


def beta(d: Table) -> LaplaceFit:
    """Fit the proportions strictly between 0 and 1."""
    inside = (d["prop"] > 0) & (d["prop"] < 1)
    kept = {name: column[inside] for name, column in d.items()}
    return laplace(Beta(kept["prop"]), kept)


OURS: dict[str, Callable[[Table], MixedFit | LaplaceFit]] = {
    "linear": linear,
    "binomial": lambda d: laplace(Binomial(d["damaged"], d["leaves"]), d),
    "negative_binomial": lambda d: laplace(NegativeBinomial(d["herb"]), d),
    "beta_binomial": lambda d: laplace(BetaBinomial(d["damaged"], d["leaves"]), d),
    "beta": beta,
}


def ours(task: str, d: Table, runs: int = 3) -> tuple[float, Numbers]:
    """Run ours and return the median processor seconds and its numbers."""
    seconds = []
    for _ in range(runs):
        start = time.process_time()
        fit = OURS[task](d)
        seconds.append(time.process_time() - start)
    return statistics.median(seconds), Numbers(fit.coefficients, fit.standard_errors, fit.loglik)


def peer(task: str, visits: pathlib.Path) -> tuple[float, Numbers]:
    """Run the peer in R and return its seconds and numbers."""
    rscript = shutil.which("Rscript")
    if rscript is None:
        raise SystemExit("Rscript is not installed; the peers need R with lme4 and glmmTMB")
    done = subprocess.run([rscript, str(PEERS), str(visits), task], capture_output=True, text=True, check=True)
    found = json.loads(done.stdout.strip().splitlines()[-1])
    numbers = Numbers(np.array(found["coefficients"]), np.array(found["standard_errors"]), float(found["loglik"]))
    return float(found["seconds"]), numbers


def compare(task: str, visits: pathlib.Path, d: Table) -> dict[str, object]:
    """Run ours and the peer and return one row of the table."""
    our_seconds, mine = ours(task, d)
    peer_seconds, theirs = peer(task, visits)
    short = theirs.loglik - mine.loglik
    errors = float(np.max(np.abs(mine.errors / theirs.errors - 1)))
    shift = float(np.max(np.abs((mine.coefficients - theirs.coefficients) / theirs.errors)))
    ratio = peer_seconds / our_seconds
    agree = short < LOGLIK_TOLERANCE and abs(short) < 1e-4 and errors < ERROR_TOLERANCE
    return {
        "task": f"mixed model, {task.replace('_', '-')}, {len(d['yr'])} rows",
        "peer": PEER.get(task, "glmmTMB"),
        "ours_s": round(our_seconds, 3),
        "peer_s": round(peer_seconds, 3),
        "ratio": round(ratio, 1),
        "need": NEED[task],
        "agreement": f"log L {-short:+.1e}, errors {errors:.1e} relative, coefficients {shift:.1e} errors",
        "agrees": agree,
        "reached": agree and ratio >= NEED[task],
    }


def run(prefix: str, tasks: tuple[str, ...] = tuple(NEED), blocks: int | None = None) -> list[dict[str, object]]:
    """Compare the tasks on PREFIX_visits.csv, or on its first blocks; return one row for each."""
    path = pathlib.Path(f"{prefix}_visits.csv")
    with tempfile.TemporaryDirectory() as folder:
        if blocks is not None:
            path = _first_blocks(path, blocks, pathlib.Path(folder) / "visits.csv")
        d = read(path)
        return [compare(task, path, d) for task in tasks]


def _first_blocks(source: pathlib.Path, blocks: int, target: pathlib.Path) -> pathlib.Path:
    """Write the visits of the first blocks."""
    with source.open(newline="") as file, target.open("w", newline="") as out:
        rows, writer = csv.reader(file), csv.writer(out)
        names = next(rows)
        writer.writerow(names)
        position = names.index("block")
        writer.writerows(row for row in rows if int(row[position]) < blocks)
    return target


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("prefix", help="path of the study without _visits.csv")
    parser.add_argument("--tasks", default=",".join(NEED))
    parser.add_argument("--blocks", type=int, default=None)
    asked = parser.parse_args()
    for task in asked.tasks.split(","):
        print(json.dumps(run(asked.prefix, (task,), asked.blocks)[0]), flush=True)


if __name__ == "__main__":
    main()
