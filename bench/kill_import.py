"""Kill an import at many moments and look whether the study is whole each time.

A child process appends a batch to a study and is killed (SIGKILL) at a random moment between the start of its
transaction and a little after the end. Then the study is opened, checked, and the same append is made again; the
result must equal that of an append that nobody killed.

Run with `python -m bench kills [MOMENTS] [ADDRESS]` or `python bench/kill_import.py [MOMENTS [SEED [ADDRESS]]]`. To the
address of a PostgreSQL study, such as `postgresql://crew@/postgres?study=kill_`, a number is added for each moment;
`postgresql` alone starts a server for it.
"""

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

sys.path.insert(0, str(Path(__file__).parents[1]))
from bench.postgres_server import server, study_address

from domatia.model import Batch, SourceFile
from domatia.model.identity import content_hash
from domatia.store import create_study, open_study

VISITS = 20_000
STUDY = bytes(range(16))
_CHILD = "import sys; sys.path[:0] = {path!r}\nfrom kill_import import append_and_say\nappend_and_say(sys.argv[1])\n"


@dataclass(frozen=True)
class Tally:
    """How the kills fell.

    Attributes
    ----------
    moments, inside, whole, absent : int
        Kills; those that fell between the transaction's begin and its end; studies found with the batch, without it.
    """

    moments: int
    inside: int
    whole: int
    absent: int


def batch() -> Batch:
    """Make the batch that is appended each time."""
    ids = [content_hash(("kill", n)) for n in range(VISITS)]
    table = pl.DataFrame(
        {
            "record_id": pl.Series(ids, dtype=pl.Binary), "subject_id": pl.Series(ids, dtype=pl.Binary),
            "plant": pl.Series(ids, dtype=pl.Binary), "status": "alive", "height_cm": pl.Series(range(VISITS)) / 7,
        }
    ).with_columns(pl.lit(2001).alias("origin_row"))  # fmt: skip
    return Batch({"visit": table}, source=SourceFile("visits.csv", "0" * 64, 1), author="Ana", why="kill")


LATEST = 1.3
"""Kills fall up to this share of the time that an append without a kill takes."""


def append_and_say(where: str) -> None:
    """Append the batch, saying on standard output when the transaction begins and when it has ended."""
    with open_study(where, write=True) as study:
        work = batch()
        os.write(1, b"begin\n")
        study.append(work)
        os.write(1, b"end\n")


def state(where: str) -> tuple[int, bytes]:
    """Count the visits of a study and hash their contents, after checking the study's integrity."""
    with open_study(where) as study:
        broken = study.check_integrity()
        if broken:
            raise RuntimeError(f"the study is not whole: {broken[0]}")
        table = study.read().table("visit")
    rows = table.select("record_id", "plant", "height_cm", "origin_file", "origin_row").rows()
    return table.height, content_hash(v for row in rows for v in row)


def _spawn(where: str) -> subprocess.Popen[bytes]:
    code = _CHILD.format(path=[str(Path(__file__).parent), *(p for p in sys.path if p)])
    return subprocess.Popen([sys.executable, "-c", code, where], stdout=subprocess.PIPE)


def _append_unkilled(where: str) -> float:
    start = time.perf_counter()
    with open_study(where, write=True) as study:
        work = batch()
        start = time.perf_counter()
        study.append(work)
        return time.perf_counter() - start


def kill_once(where: str, delay: float) -> tuple[bool, int]:
    """Append in a child, kill it `delay` seconds after it began, and tell what is found.

    Returns
    -------
    (bool, int)
        Whether the kill fell inside the transaction, and the number of visits then in the study.
    """
    child = _spawn(where)
    if child.stdout is None or child.stdout.readline() != b"begin\n":
        raise RuntimeError("the child did not begin")
    time.sleep(delay)
    child.send_signal(signal.SIGKILL)
    rest = child.stdout.read()
    child.stdout.close()
    child.wait()
    return b"end" not in rest, state(where)[0]


def run(moments: int, seed: int, folder: Path, places: list[str] | None = None) -> Tally:
    """Kill at `moments` random moments.

    Parameters
    ----------
    moments, seed : int
    folder : pathlib.Path
        Where the study files are made.
    places : list of str, optional
        One place for a new study a moment and one more, where they are not to be files in `folder`.

    Raises
    ------
    RuntimeError
        If a study is damaged, holds a part of the batch, or ends otherwise than the one that nobody killed.
    """
    rng = random.Random(seed)
    names = places or [str(folder / f"study{n}.domatia") for n in range(moments + 1)]
    create_study(names[0], "Kill", profile_text="", study_id=STUDY).close()
    took = _append_unkilled(names[0])
    wanted = state(names[0])
    inside = whole = 0
    for n, where in enumerate(names[1 : moments + 1]):
        create_study(where, "Kill", profile_text="", study_id=STUDY).close()
        # one moment in each equal part of the time, so that the first always falls early
        fell_inside, found = kill_once(where, (n + rng.random()) / moments * LATEST * took)
        if found not in (0, VISITS):
            raise RuntimeError(f"{found} of {VISITS} visits are in {where}: a part of the batch")
        if not fell_inside and found != VISITS:
            raise RuntimeError(f"an append that was acknowledged is not in {where}")
        inside += fell_inside
        whole += found == VISITS
        _append_unkilled(where)
        if state(where) != wanted:
            raise RuntimeError(f"{where} does not equal the study that nobody killed")
        if "://" not in where:
            Path(where).unlink()
    return Tally(moments, inside, whole, moments - whole)


def _numbered(address: str, moments: int) -> list[str]:
    return [f"{address}{n}" for n in range(moments + 1)]


def kills(args: Sequence[str], seed: int = 1) -> Tally:
    """Kill in the database that the words name: a number of moments, and an address or the word `postgresql`.

    Raises
    ------
    SystemExit
        If a word is none of these, or no server can be started.
    """
    numbers = [a for a in args if a.isdigit()]
    places = [a for a in args if "://" in a or a == "postgresql"]
    if len(numbers) + len(places) < len(args) or max(len(numbers), len(places)) > 1:
        raise SystemExit("usage: python -m bench kills [MOMENTS] [ADDRESS or postgresql]")
    moments = int(numbers[0]) if numbers else 200
    with tempfile.TemporaryDirectory() as folder:
        if not places:
            return run(moments, seed, Path(folder))
        if places[0] != "postgresql":
            address = study_address(places[0], f"kill{os.getpid()}_")
            return run(moments, seed, Path(folder), _numbered(address, moments))
        with server() as started:
            if started is None:
                raise SystemExit("there is no PostgreSQL server to start here; give an address")
            return run(moments, seed, Path(folder), _numbered(study_address(started, f"kill{os.getpid()}_"), moments))


def main() -> None:
    """Print how the kills fell."""
    moments, seed, *address = [*sys.argv[1:], *("200", "1")[len(sys.argv) - 1 :]]
    print(kills([moments, *address], int(seed)))


if __name__ == "__main__":
    main()
