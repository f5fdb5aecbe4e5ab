"""Three hundred broken input files: each must give findings, or an error that says which file and what to do.

usage: python -m bench broken [--count 300] [--seed 1] [--folder FOLDER]

Every file is read in a process of its own, so that its time and memory can be measured and a crash is seen. The files
are made from a seed; the same seed gives the same bytes.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from bench.broken_tables import TABLES
from bench.broken_workbooks import WORKBOOKS

from domatia.intake.brought import bring_in
from domatia.intake.guard import sha256_of
from domatia.intake.mapping_parse import parse_mapping
from domatia.intake.read_table import read_table
from domatia.model import Finding, Profile, WrongUse, shipped_profile
from domatia.store import create_study, open_study
from domatia.tasks.importing import import_tables

MOST_SECONDS, MOST_MEGABYTES = 30.0, 2048.0

MAPPING = """
[table]
file = "*"
row = "visit"
blank = ["", "NA"]
[place]
name = "plot"
[plant]
key = ["place.name", "plant"]
[tag]
tag = "tag"
[visit]
when = { column = "date", date = "dd/mm/yyyy" }
status = { column = "status", words = { dead = "dead confirmed" } }
height_cm = "height_cm"
shoots = "shoots"
observer = "observer"
"""

Action = Callable[[Path], Sequence[Finding]]
"""What is done with a file; a refusal is an exception of the family `WrongUse`."""


@dataclass(frozen=True)
class Made:
    """One broken file: what is wrong with it, and where it lies."""

    kind: str
    path: Path


@dataclass(frozen=True)
class Outcome:
    """What became of one broken file.

    Attributes
    ----------
    kind, file : str
    outcome : {"findings", "refused", "silent", "crashed"}
        "silent" (nothing was said) and "crashed" are failures.
    told : str
        The first finding, or the error.
    findings : int
    seconds, megabytes : float
        Of the processor, so that other jobs on the machine do not count; the largest memory of the process (Linux).
    """

    kind: str
    file: str
    outcome: str
    told: str
    findings: int
    seconds: float
    megabytes: float

    @property
    def good(self) -> bool:
        """Something was said, the file was named, and time and memory were kept."""
        named = self.file in self.told
        return (
            self.outcome in ("findings", "refused")
            and named
            and self.seconds < MOST_SECONDS
            and self.megabytes < MOST_MEGABYTES
        )


def make_inputs(folder: Path, count: int = 300, seed: int = 1) -> list[Made]:
    """Write broken files: every kind in turn, the large ones at most three times.

    Parameters
    ----------
    folder : Path
    count : int
    seed : int
    """
    kinds = {**TABLES, **WORKBOOKS}
    made: list[Made] = []
    turn = 0
    while len(made) < count:
        for name, maker in kinds.items():
            if len(made) >= count or (name.startswith("large") and turn >= 3):
                continue
            rng = np.random.default_rng([seed, turn, len(made)])
            suffix, content = maker(rng)
            path = folder / f"{len(made):03d}-{name.replace(' ', '-')}{suffix}"
            path.write_bytes(content)
            made.append(Made(name, path))
        turn += 1
    return made


def bring(path: Path) -> Sequence[Finding]:
    """Read a file and bring it in by the mapping of the sound table, without writing anything."""
    return bring_in([read_table(path)], parse_mapping(MAPPING), bytes(16), Profile()).findings


def import_whole(path: Path) -> Sequence[Finding]:
    """Import a file into a new study as a user would; where nothing comes in, the study must be the same bytes.

    Raises
    ------
    AssertionError
        If a refused file changed the study, or the study is not sound afterwards.
    """
    with tempfile.TemporaryDirectory() as folder:
        study, mapping = Path(folder) / "study.domatia", Path(folder) / "mapping.toml"
        mapping.write_text(MAPPING, encoding="utf-8")
        create_study(study, "broken inputs", profile_text=shipped_profile("any")[1]).close()
        before = sha256_of(study)
        try:
            found = import_tables(str(study), str(mapping), (str(path),)).findings
        except WrongUse:
            if sha256_of(study) != before:
                raise AssertionError(f"{path.name} was refused and the study changed") from None
            raise
        with open_study(study) as opened:
            if opened.check_integrity():
                raise AssertionError(f"after {path.name} the study is not sound")
        return found


def try_here(made: Made, action: Action = bring) -> Outcome:
    """Try one file in this process; its memory is the process's largest so far."""
    start = time.process_time()
    try:
        findings = action(made.path)
    except WrongUse as e:
        outcome, told, number = "refused", str(e), 0
    else:
        serious = sorted(findings, key=lambda f: ("error", "warning", "note").index(f.severity))
        number = len(findings)
        outcome = "findings" if number else "silent"
        told = f"{serious[0].code}: {serious[0]}"[:2000] if number else ""
    seconds, megabytes = time.process_time() - start, _largest_memory()
    return Outcome(made.kind, made.path.name, outcome, told, number, seconds, megabytes)


def _largest_memory() -> float:
    """Give the largest memory of this process so far in megabytes; 0 where the system does not tell."""
    status = Path("/proc/self/status")
    lines = status.read_text().splitlines() if status.exists() else []
    return next((int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM")), 0.0)


def try_apart(made: Made) -> Outcome:
    """Try one file in a process of its own."""
    command = [sys.executable, "-m", "bench.broken_inputs", "--one", made.kind, str(made.path)]
    start = time.perf_counter()
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=4 * MOST_SECONDS, check=False)
    except subprocess.TimeoutExpired:
        return Outcome(made.kind, made.path.name, "crashed", "still at it", 0, time.perf_counter() - start, 0.0)
    if done.returncode:
        told = (done.stderr.strip().splitlines() or [f"exit code {done.returncode}"])[-1]
        return Outcome(made.kind, made.path.name, "crashed", told, 0, time.perf_counter() - start, 0.0)
    return Outcome(**json.loads(done.stdout.splitlines()[-1]))


def try_all(inputs: Sequence[Made], run: Callable[[Made], Outcome] = try_apart) -> list[Outcome]:
    """Try files one after another."""
    return [run(made) for made in inputs]


def _try_and_tell(made: Made) -> Outcome:
    o = try_apart(made)
    print(f"{o.outcome:9} {o.seconds:6.2f} s {o.megabytes:7.1f} MB  {o.file}: {o.told[:160]}", flush=True)
    return o


def summary(outcomes: Sequence[Outcome]) -> dict[str, object]:
    """Give counts by outcome, the worst time and memory, and the files that failed."""
    return {
        "files": len(outcomes),
        "kinds": len({o.kind for o in outcomes}),
        "outcomes": dict(Counter(o.outcome for o in outcomes)),
        "slowest_s": round(max(o.seconds for o in outcomes), 2),
        "largest_mb": round(max(o.megabytes for o in outcomes), 1),
        "failed": [(o.kind, o.file, o.outcome, o.told[:300]) for o in outcomes if not o.good],
    }


def main(args: Sequence[str] | None = None) -> None:
    """Make the files, try them all, and print what became of them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--one", nargs=2, metavar=("KIND", "PATH"))
    parser.add_argument("--each", action="store_true", help="print a line for every file")
    options = parser.parse_args(args)
    if options.one:
        outcome = try_here(Made(options.one[0], Path(options.one[1])), import_whole)
        print(json.dumps(outcome.__dict__))
        return
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        outcomes = try_all(
            make_inputs(folder, options.count, options.seed), _try_and_tell if options.each else try_apart
        )
    print(json.dumps(summary(outcomes), indent=1, ensure_ascii=False))


if __name__ == "__main__":
    main()
