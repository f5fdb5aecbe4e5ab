"""The multi-state panel fit against msm (its Fisher scoring) on the bench study: seconds, ratio and agreement.

usage: python bench/multistate.py PREFIX [PREFIX_OF_TEN_TIMES] [--tasks classes,measured]

PREFIX_visits.csv is the simulated study. Ours is the median of five fits from the visits as arrays, with crude starting
values, observed information and standard errors, in a process of its own (so that its peak memory is known); the peer
runs once in R, right after, without standard errors and with good starting values.
"""

import argparse
import csv
import json
import os
import pathlib
import shutil
import statistics
import subprocess
import sys
import time

import numpy as np

from domatia.stats.arrays import Floats
from domatia.stats.multistate import (
    Effects,
    Panel,
    Pattern,
    allow_moves,
    effects_on_all,
    fit_multistate,
    log_likelihood,
)

PEER = pathlib.Path(__file__).parents[1] / "reference" / "multistate" / "peer.R"
MOVES = {0: (1, 5), 1: (0, 2, 3, 4, 5), 2: (0, 3, 4, 5), 3: (0, 2, 4, 5), 4: (0, 2, 3, 5)}
NEED = {"classes": 100.0, "measured": 10.0}
LIGHT = {"classes": "lightc", "measured": "light"}
SUBJECTS = {"classes": 1_000_000, "measured": 500}
LARGEST_MB = 500.0
LARGEST_GROWTH = 5.0
Row = dict[str, object]


def model(task: str) -> tuple[Pattern, Effects]:
    """Set up 19 moves between six states, with two covariates on each: 57 coefficients."""
    allowed = np.zeros((6, 6), np.bool_)
    for origin, targets in MOVES.items():
        allowed[origin, list(targets)] = True
    pattern = allow_moves(allowed)
    return pattern, effects_on_all(pattern, ("treat", LIGHT[task]))


def read(prefix: str, task: str) -> Panel:
    """Read the visits as arrays."""
    names = ("plant", "day", "state", "treat", LIGHT[task])
    with pathlib.Path(f"{prefix}_visits.csv").open(newline="") as file:
        header = next(csv.reader([file.readline()]))
        table = np.loadtxt(file, delimiter=",", usecols=[header.index(name) for name in names])
    table = table[table[:, 0] < SUBJECTS[task]]
    return Panel(table[:, 0].astype(np.int64), table[:, 1], table[:, 2].astype(np.int64) - 1, table[:, 3:])


def fit_alone(prefix: str, task: str, runs: int = 5) -> Row:
    """Fit in this process; return seconds, log-likelihood, gradient and peak memory."""
    panel, (pattern, effects) = read(prefix, task), model(task)
    seconds = []
    for _ in range(runs):
        start = time.perf_counter()
        fit = fit_multistate(panel, pattern, effects)
        seconds.append(time.perf_counter() - start)
    status = pathlib.Path("/proc/self/status").read_text() if sys.platform == "linux" else ""
    peak = [line.split()[1] for line in status.splitlines() if line.startswith("VmHWM")]
    return {
        "seconds": statistics.median(seconds),
        "log_likelihood": fit.log_likelihood,
        "largest_gradient": fit.largest_gradient,
        "converged": fit.converged,
        "visits": len(panel.time),
        "peak_mb": float(peak[0]) / 1024 if peak else float("nan"),
    }


def ours(prefix: str, task: str) -> dict[str, float]:
    """Fit in a process of its own, on one thread."""
    one = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, __file__, prefix, "--alone", task]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=one)
    found: dict[str, float] = json.loads(done.stdout)
    return found


def peer(prefix: str, task: str) -> tuple[dict[str, float], Floats]:
    """Run the peer in R; return its numbers and its estimates."""
    rscript = shutil.which("Rscript")
    if rscript is None:
        raise SystemExit("Rscript is not installed; the peer needs R with msm")
    command = [rscript, str(PEER), f"{prefix}_visits.csv", LIGHT[task], str(SUBJECTS[task])]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found = json.loads(done.stdout.strip().splitlines()[-1])
    return found, np.array(found.pop("estimates"))


def compare(prefix: str, task: str) -> Row:
    """Run ours and the peer and return one row of the table."""
    mine = ours(prefix, task)
    theirs, estimates = peer(prefix, task)
    value = -0.5 * theirs["minus2loglik"]
    at_theirs = log_likelihood(read(prefix, task), *model(task), estimates)
    better, equal = mine["log_likelihood"] - value, abs(at_theirs - value)
    ratio = theirs["seconds"] / mine["seconds"]
    agrees = better >= -1e-6 and equal < 1e-8 and mine["largest_gradient"] < 1e-3
    return {
        "task": f"multi-state panel fit, 57 coefficients, light in {task}, {mine['visits']} visits",
        "peer": "msm, opt.method = fisher",
        "ours_s": round(mine["seconds"], 3),
        "peer_s": round(theirs["seconds"], 3),
        "ratio": round(ratio, 1),
        "need": NEED[task],
        "agreement": f"log L {better:+.1e}; at equal parameters {equal:.1e}; {mine['peak_mb']:.0f} MB, "
        f"peer {theirs['peak_mb']:.0f} MB",
        "agrees": agrees,
        "reached": agrees and ratio >= NEED[task] and not mine["peak_mb"] > LARGEST_MB,
    }


def growth(prefix: str, large: str) -> Row:
    """Compare ours on ten times the visits with ours on the study; the ratio must stay below five."""
    small, big = ours(prefix, "classes"), ours(large, "classes")
    ratio = big["seconds"] / small["seconds"]
    agrees = bool(big["converged"]) and big["largest_gradient"] < 1e-3
    return {
        "task": f"multi-state panel fit, 57 coefficients, {big['visits']} visits",
        "peer": f"ours on {small['visits']} visits (ratio at most {LARGEST_GROWTH:g})",
        "ours_s": round(big["seconds"], 3),
        "peer_s": round(small["seconds"], 3),
        "ratio": round(ratio, 2),
        "need": LARGEST_GROWTH,
        "agreement": f"largest gradient {big['largest_gradient']:.1e}; {big['peak_mb']:.0f} MB",
        "agrees": agrees,
        "reached": agrees and ratio <= LARGEST_GROWTH and not big["peak_mb"] > 2 * LARGEST_MB,
    }


def run(prefix: str, large: str | None = None, tasks: tuple[str, ...] = tuple(NEED)) -> list[Row]:
    """Compare the tasks on PREFIX_visits.csv, and growth to the visits of `large`; return one row for each."""
    rows = [compare(prefix, task) for task in tasks]
    return rows if large is None else [*rows, growth(prefix, large)]


def main() -> None:
    """Print one line of JSON for each row of the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("prefix", help="path of the study without _visits.csv")
    parser.add_argument("large", nargs="?", help="path of the study of ten times the size")
    parser.add_argument("--tasks", default=",".join(NEED))
    parser.add_argument("--alone", choices=tuple(NEED), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.alone:
        print(json.dumps(fit_alone(asked.prefix, asked.alone)))
        return
    for row in run(asked.prefix, asked.large, tuple(asked.tasks.split(","))):
        print(json.dumps(row), flush=True)


if __name__ == "__main__":
    main()
