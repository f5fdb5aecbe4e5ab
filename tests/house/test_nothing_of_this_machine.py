"""Nothing in the project names a machine, a registry or a folder of one person."""

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PLACES = re.compile(
    "|".join(
        ["pypi" + r"\.org", "python" + "hosted", "registry" + r"\.npm", "deb" + r"\.debian", r"(?<!\w)/" + "work/"]
    )
)


def test_no_file_names_a_registry_or_a_folder_of_one_machine() -> None:
    """No file under version control holds a registry's host or an absolute path of one machine."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    if listed.returncode:
        pytest.skip("this is no git checkout, so there is no list of the project's files")
    found = []
    for name in listed.stdout.decode().split("\0"):
        path = ROOT / name
        if name and path.is_file() and path.suffix not in {".ttf", ".png", ".gz"}:
            text = path.read_text(encoding="utf-8", errors="replace")
            found += [name for _ in [0] if PLACES.search(text)]
    assert found == []
