"""Where the real tables are."""

import os
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def real_data() -> Path:
    """Give the folder of real tables, or skip."""
    root = os.environ.get("DOMATIA_REAL_DATA", "")
    if not root or not Path(root).is_dir():
        pytest.skip("DOMATIA_REAL_DATA does not name the folder of real tables")
    return Path(root)
