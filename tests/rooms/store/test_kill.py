"""A program that is killed while it imports leaves the whole batch or nothing."""

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

BENCH = Path(__file__).parents[3] / "bench" / "kill_import.py"


@pytest.mark.slow
def test_kills_leave_all_or_nothing(new_place: Callable[[], str]) -> None:
    """After a SIGKILL at random moments the study is sound, holds the batch or not, and takes it in as if unkilled."""
    place = new_place()
    moments = 4 if "://" in place else 15
    address = [place + "_kill_"] if "://" in place else []
    command = [sys.executable, str(BENCH), str(moments), "20", *address]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600)
    assert done.returncode == 0, done.stderr
    counts = {k: int(v) for k, v in re.findall(r"(\w+)=(\d+)", done.stdout)}
    assert counts["moments"] == counts["whole"] + counts["absent"] == moments
    assert counts["inside"] > 0
