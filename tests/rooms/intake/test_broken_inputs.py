from pathlib import Path

import numpy as np
import pytest
from bench.broken_inputs import Made, make_inputs, try_here
from bench.broken_tables import TABLES
from bench.broken_workbooks import WORKBOOKS

SMALL = [k for k in (*TABLES, *WORKBOOKS) if not k.startswith("large") and k != "long cell"]


def test_broken_files_give_findings_or_name_themselves(tmp_path: Path) -> None:
    """One file of every small kind: each is told or refused by name, within time, and none is passed over."""
    kinds = {**TABLES, **WORKBOOKS}
    made = []
    for number, kind in enumerate(SMALL):
        suffix, content = kinds[kind](np.random.default_rng([7, number]))
        path = tmp_path / f"{number:02d}{suffix}"
        path.write_bytes(content)
        made.append(Made(kind, path))
    assert len(made) >= 30
    outcomes = [try_here(m) for m in made]
    assert [(o.kind, o.outcome, o.told) for o in outcomes if o.outcome not in ("findings", "refused")] == []
    assert [(o.kind, o.told) for o in outcomes if o.file not in o.told] == []
    assert max(o.seconds for o in outcomes) < 30


def test_the_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    """The generator repeats exactly, so that a failure can be looked at again."""
    folders = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        folders.append([m.path.read_bytes() for m in make_inputs(tmp_path / name, count=20, seed=3)])
    assert folders[0] == folders[1]


@pytest.mark.slow
@pytest.mark.parametrize(
    "kind", ["large zip bomb", "large lying bomb", "large sheet", "large columns", "large noise", "long cell"]
)
def test_large_broken_files_are_refused_or_told(tmp_path: Path, kind: str) -> None:
    """Bombs, a million columns or rows of a sheet are refused before they take memory; noise is told row by row."""
    suffix, content = {**TABLES, **WORKBOOKS}[kind](np.random.default_rng(11))
    path = tmp_path / f"large{suffix}"
    path.write_bytes(content)
    outcome = try_here(Made(kind, path))
    assert outcome.outcome in ("findings", "refused")
    assert path.name in outcome.told
    assert outcome.seconds < 30
