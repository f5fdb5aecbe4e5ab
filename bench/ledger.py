"""What long runs have done so far, so that they go on where they were interrupted.

One small SQLite file; a result is keyed by what was asked, the seed, and the hash of the tool's source, so that results
of another version are never mixed in.
"""

import json
import sqlite3
from collections.abc import Iterable
from functools import cache
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any

_LAYOUT = "create table if not exists done (asked text, seed integer, result text, primary key (asked, seed))"


@cache
def source_hash() -> str:
    """Hash all source files of the tool."""
    root = Path(str(files("domatia")))
    digest = sha256()
    for path in sorted(root.rglob("*.py")):
        digest.update(path.relative_to(root).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


class Ledger:
    """Results by question and seed.

    Parameters
    ----------
    path : pathlib.Path or None
        The file; None keeps everything in memory.
    """

    def __init__(self, path: Path | None) -> None:
        self._file = sqlite3.connect(path if path is not None else ":memory:", isolation_level=None)
        self._file.execute("pragma journal_mode = wal")
        self._file.execute(_LAYOUT)

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def done(self, asked: str) -> dict[int, Any]:
        """Give what is known: result by seed."""
        rows = self._file.execute("select seed, result from done where asked = ?", (self._key(asked),))
        return {int(seed): json.loads(text) for seed, text in rows}

    def note(self, asked: str, seed: int, result: object) -> None:
        """Keep one result; it is on disk when this returns."""
        text = json.dumps(result)
        self._file.execute("insert or replace into done values (?, ?, ?)", (self._key(asked), seed, text))

    def wanting(self, asked: str, seeds: Iterable[int]) -> list[int]:
        """Give the seeds that are not done yet."""
        known = self.done(asked)
        return [s for s in seeds if s not in known]

    @staticmethod
    def _key(asked: str) -> str:
        return f"{source_hash()} {asked}"


__all__ = ["Ledger", "source_hash"]
