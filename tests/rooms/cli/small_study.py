"""A small invented study: its tables as text, and the commands run in this process."""

import json
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from domatia.cli import commands

CENSUS = """block,plant,tag,round,date,status,height_cm,ant,stage
N1,1,101,1,2024-01-10,alive,50,Rust,patrolling
N1,1,101,2,2024-03-10,alive,52,none,none
N1,2,102,1,2024-01-10,alive,40,Rust,patrolling
N1,2,102,2,2024-03-10,dead,,,
N1,2,102,3,2024-05-10,alive,41,Rust,patrolling
N2,1,101,1,2024-01-11,alive,60,Velvet,patrolling
N2,1,101,2,2024-03-11,not found,,,
"""


def run(*words: object, code: int = 0) -> Result:
    """Run a command and check its exit code."""
    done = CliRunner().invoke(commands, [str(w) for w in words], prog_name="domatia")
    assert done.exit_code == code, done.output
    return done


def read_json(*words: object, code: int = 0) -> Any:
    """Run a command with --json and read what it prints."""
    return json.loads(run(*words, "--json", code=code).stdout)


def made(folder: Path, census: str = CENSUS) -> Path:
    """Make the study with its table and a mapping as it was proposed, tags added by hand."""
    (folder / "census.csv").write_text(census, encoding="utf-8")
    run("new", folder / "ridge", "--title", "The ridge (invented)")
    run("propose", folder / "census.csv", "--out", folder / "census.toml")
    mapping = (folder / "census.toml").read_text(encoding="utf-8")
    if "[tag]" not in mapping:
        (folder / "census.toml").write_text(mapping + '\n[tag]\ntag = "tag"\n', encoding="utf-8")
    run("import", folder / "ridge.domatia", folder / "census.toml", "--author", "Ada")
    return folder / "ridge.domatia"
