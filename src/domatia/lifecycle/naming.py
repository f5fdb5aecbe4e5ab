"""Ids of simulated records: repeatable, and fast enough for a hundred thousand rows."""

from dataclasses import dataclass

import numpy as np

from domatia.model.identity import ID_BYTES, named_id


@dataclass(frozen=True)
class Naming:
    """Gives ids within one simulated study.

    A thing that has a name of its own (a plant, a place, an ant) gets `named_id`. The rows of long tables get 16
    bytes from a stream keyed by their kind's own name-based id, in row order, in the same form.
    """

    study: bytes

    def one(self, kind: str, key: str) -> bytes:
        """Give the subject id of one named thing."""
        return named_id(self.study, kind, key)

    def named(self, kind: str, keys: list[str]) -> list[bytes]:
        """Give the subject ids of named things."""
        return [named_id(self.study, kind, k) for k in keys]

    def rows(self, kind: str, count: int) -> list[bytes]:
        """Give ids for the rows of a long table."""
        key = np.frombuffer(named_id(self.study, kind, "rows"), dtype=np.uint64)
        raw = np.random.Generator(np.random.Philox(key=key)).integers(0, 256, (count, ID_BYTES), dtype=np.uint8)
        raw[:, 6] = (raw[:, 6] & 0x0F) | 0x80
        raw[:, 8] = (raw[:, 8] & 0x3F) | 0x80
        whole = raw.tobytes()
        return [whole[i : i + ID_BYTES] for i in range(0, len(whole), ID_BYTES)]
