"""Natural keys of things, and the ids that follow from them.

A key is made of what stands in the cells, never of where they stand. Its parts are joined by `|`; a `|` or backslash
inside a part gets a backslash before it, so that two different keys never look alike.
"""

from collections.abc import Sequence
from hashlib import blake2b

import numpy as np
import polars as pl

from domatia.model import body_schema
from domatia.model.identity import ID_BYTES

_AT_ONCE = 50_000


def joined_key(parts: Sequence[pl.Series]) -> pl.Series:
    """Join the parts of a key, row by row; null where no part says anything."""
    frame = pl.DataFrame({str(n): p for n, p in enumerate(parts)})
    safe = [
        pl.col(c).fill_null("").str.replace_all("\\", "\\\\", literal=True).str.replace_all("|", "\\|", literal=True)
        for c in frame.columns
    ]
    said = pl.any_horizontal(pl.all().is_not_null())
    return frame.select(pl.when(said).then(pl.concat_str(safe, separator="|")).alias("key"))["key"]


_SIZES = tuple(n.to_bytes(8, "big") for n in range(1024))


def _size(part: bytes) -> bytes:
    return _SIZES[len(part)] if len(part) < len(_SIZES) else len(part).to_bytes(8, "big")


def _framed(part: bytes) -> bytes:
    return _size(part) + part


def _with_version(digests: bytes) -> list[bytes]:
    """Set the bits of a UUID of version 8 (RFC 9562) in many digests at once."""
    raw = np.frombuffer(digests, dtype=np.uint8).reshape(-1, ID_BYTES).copy()
    raw[:, 6] = (raw[:, 6] & 0x0F) | 0x80
    raw[:, 8] = (raw[:, 8] & 0x3F) | 0x80
    whole = raw.tobytes()
    return [whole[n : n + ID_BYTES] for n in range(0, len(whole), ID_BYTES)]


def named_ids(study: bytes, kind: str, keys: Sequence[str], contents: Sequence[str] | None = None) -> list[bytes]:
    """Give what `domatia.model.identity.named_id` gives, for many keys at once.

    Parameters
    ----------
    study : bytes
    kind : str
    keys : sequence of str
    contents : sequence of str, optional
        Contents as `content_text` writes them; they enter as their bytes.
    """
    told = None if contents is None else [c.encode("utf-8", "surrogatepass") for c in contents]
    return _ids(study, kind, [k.encode("utf-8", "surrogatepass") for k in keys], told)


def _ids(study: bytes, kind: str, keys: Sequence[bytes], contents: Sequence[bytes] | None) -> list[bytes]:
    start = _framed(b"b" + study) + _framed(b"t" + kind.encode())
    size = ID_BYTES
    if contents is None:
        none = _framed(b"b")
        made = [blake2b(b"".join((start, _framed(b"t" + k), none)), digest_size=size).digest() for k in keys]
    else:
        made = [
            blake2b(b"".join((start, _framed(b"t" + k), _framed(b"b" + c))), digest_size=size).digest()
            for k, c in zip(keys, contents, strict=True)
        ]
    return _with_version(b"".join(made))


def id_series(study: bytes, kind: str, keys: pl.Series, contents: pl.Series | None = None) -> pl.Series:
    """Give `named_ids` of a column without nulls, a part of the rows at a time."""
    parts = [pl.Series("id", [], dtype=pl.Binary)]
    for start in range(0, keys.len(), _AT_ONCE):
        told = None if contents is None else contents.slice(start, _AT_ONCE).cast(pl.Binary).to_list()
        found = _ids(study, kind, keys.slice(start, _AT_ONCE).cast(pl.Binary).to_list(), told)
        parts.append(pl.Series("id", found, dtype=pl.Binary))
    return pl.concat(parts)


def key_ids(study: bytes, kind: str, keys: pl.Series) -> pl.Series:
    """Give the id of the thing behind each key; null where the key is."""
    said = keys.drop_nulls()
    distinct = said.unique()
    if distinct.len() == keys.len():
        return id_series(study, kind, keys)
    table = pl.DataFrame({"key": distinct, "id": id_series(study, kind, distinct)})
    return pl.DataFrame({"key": keys}).join(table, on="key", how="left", maintain_order="left")["id"]


def content_text(kind: str, columns: Sequence[str] | None = None) -> pl.Expr:
    """Write the content of a row as one text: names and values of the columns that hold something.

    Parameters
    ----------
    kind : str
    columns : sequence of str, optional
        Columns that are there; all of the kind when left out.
    """
    said = []
    for name, dtype in body_schema(kind).items():
        if columns is not None and name not in columns:
            continue
        value = pl.col(name).bin.encode("hex") if dtype == pl.Binary else pl.col(name).cast(pl.String)
        said.append(pl.lit(f"{name}\x1e") + value + pl.lit("\x1f"))
    return pl.concat_str(said, ignore_nulls=True) if said else pl.lit("")


def content_hashes(texts: pl.Series) -> pl.Series:
    """Hash each text of a column."""
    parts = [pl.Series("hash", [], dtype=pl.Binary)]
    for start in range(0, texts.len(), _AT_ONCE):
        found = [
            blake2b(t, digest_size=ID_BYTES).digest() for t in texts.slice(start, _AT_ONCE).cast(pl.Binary).to_list()
        ]
        parts.append(pl.Series("hash", found, dtype=pl.Binary))
    return pl.concat(parts)
