"""Time and memory of a large study in both databases: 1.29 million visits of 50,000 plants.

Run with `python -m bench store [ADDRESS] [VISITS]`: SQLite in a temporary folder, then PostgreSQL at an address (with
a study name that is still free), or on a server started for it where its programs are there. Each database has a
process of its own, so that their memory can be compared. `rows` gives the lines for another program.
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

import numpy as np
import polars as pl
from bench.postgres_server import server, study_address

from domatia.model import Batch, SourceFile
from domatia.store import create_study, open_study

VISITS = 1_290_000
PLANTS = 50_000
T = TypeVar("T")


def simulated_visits(visits: int, plants: int, seed: int) -> pl.DataFrame:
    """Make visits with invented values, ids included.

    Parameters
    ----------
    visits, plants : int
    seed : int

    Returns
    -------
    polars.DataFrame
        A batch's table of visits: 13 filled columns.
    """
    rng = np.random.default_rng(seed)
    ids = rng.bytes(16 * (2 * visits + plants))
    parts = [ids[i : i + 16] for i in range(0, len(ids), 16)]
    names = pl.Series("plant", parts[2 * visits :], dtype=pl.Binary)
    month = rng.integers(0, 26, visits)
    alive = rng.random(visits) < 0.9
    height = np.round(rng.gamma(3.0, 40.0, visits), 1)
    return pl.DataFrame(
        {
            "record_id": pl.Series(parts[:visits], dtype=pl.Binary),
            "subject_id": pl.Series(parts[visits : 2 * visits], dtype=pl.Binary),
            "origin_row": np.arange(2, visits + 2),
            "origin_hash": pl.Series(parts[:visits], dtype=pl.Binary),
            "plant": names[rng.integers(0, plants, visits)],
            "when_earliest": pl.Series(np.datetime64("2001-03-01") + 30 * month),
            "status": np.where(alive, "alive", "not found"),
            "height_cm": pl.Series(height).set(pl.Series(~alive), None),
            "leaves": pl.Series(rng.integers(0, 80, visits)).set(pl.Series(~alive), None),
            "domatia": pl.Series(rng.integers(0, 60, visits)).set(pl.Series(~alive), None),
            "openness_pct": np.round(100 * rng.beta(2, 8, visits), 1),
            "observer": np.array(["Ana", "Ben", "Caz"])[rng.integers(0, 3, visits)],
        }
    ).with_columns(when_latest=pl.col("when_earliest"))


def _timed(run: Callable[[], T]) -> tuple[float, T]:
    start = time.perf_counter()
    found = run()
    return time.perf_counter() - start, found


def rows(where: str, visits: int = VISITS, plants: int = PLANTS) -> list[dict[str, object]]:
    """Append, append again and read a large study.

    Returns
    -------
    list of dict
        One a task: `task`, `database`, `rows`, `seconds`, `rows_a_second`, `peak_mb` (of this process so far).
    """
    table = simulated_visits(visits, plants, seed=1)
    batch = Batch({"visit": table}, source=SourceFile("visits.csv", "0" * 64, 1), author="Ana", why="bench")
    found: list[dict[str, object]] = []

    def note(task: str, seconds: float) -> None:
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        found.append(
            {
                "task": task, "database": "PostgreSQL" if "://" in where else "SQLite", "rows": visits,
                "seconds": round(seconds, 2), "rows_a_second": round(visits / seconds), "peak_mb": round(peak),
            }
        )  # fmt: skip

    with create_study(where, "Bench", profile_text="") as study:
        seconds, receipt = _timed(lambda: study.append(batch))
        if dict(receipt.added) != {"visit": visits}:
            raise RuntimeError(f"not all visits came in: {receipt}")
        note("append", seconds)
        seconds, receipt = _timed(lambda: study.append(batch))
        if dict(receipt.unchanged) != {"visit": visits}:
            raise RuntimeError(f"the second import brought something: {receipt}")
        note("append again", seconds)
        seconds, _ = _timed(study.close)
        note("close", seconds)
    with open_study(where) as study:
        seconds, data = _timed(study.read)
        note("read", seconds)
        read = data.table("visit").select(table.drop("origin_hash").columns)
        if not read.equals(table.drop("origin_hash").sort("subject_id")):
            raise RuntimeError("what was read is not what was appended")
    return found


def _apart(where: str, visits: int) -> None:
    """Print the lines of one database from a process of its own."""
    code = "import sys\nfrom bench.store import rows\nfor line in rows(sys.argv[1], int(sys.argv[2])): print(line)"
    subprocess.run([sys.executable, "-c", code, where, str(visits)], check=True)


def main(args: Sequence[str] = ()) -> None:
    """Print the lines of both databases.

    Parameters
    ----------
    args : sequence of str
        In any order: the address of a PostgreSQL study that is still free, and the number of visits.

    Raises
    ------
    SystemExit
        If a word is neither.
    """
    addresses = [a for a in args if "://" in a]
    numbers = [a for a in args if a.isdigit()]
    if len(addresses) + len(numbers) < len(args) or max(len(addresses), len(numbers)) > 1:
        raise SystemExit("usage: python -m bench store [ADDRESS] [VISITS]; an address looks like postgresql://...")
    visits = int(numbers[0]) if numbers else VISITS
    with tempfile.TemporaryDirectory() as folder:
        _apart(str(Path(folder) / "bench.domatia"), visits)
    if addresses:
        _apart(study_address(addresses[0], f"bench{os.getpid()}"), visits)
        return
    with server() as address:
        if address is None:
            print("no line for PostgreSQL: there is no server here; give an address")
        else:
            _apart(study_address(address, f"bench{os.getpid()}"), visits)


if __name__ == "__main__":
    main(sys.argv[1:])
