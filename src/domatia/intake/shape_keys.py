"""Natural keys of things, and the ids that follow from them.

A key is made of what stands in the cells, never of where they stand. Its parts are joined by `|`; a `|` or backslash
inside a part gets a backslash before it, so that two different keys never look alike.
"""

from collections.abc import Sequence
from hashlib import blake2b

import polars as pl

from domatia.model import body_schema
from domatia.model.identity import ID_BYTES


def joined_key(parts: Sequence[pl.Series]) -> pl.Series:
    """Join the parts of a key, row by row; null where no part says anything."""
    frame = pl.DataFrame({str(n): p for n, p in enumerate(parts)})
    safe = [
        pl.col(c).fill_null("").str.replace_all("\\", "\\\\", literal=True).str.replace_all("|", "\\|", literal=True)
        for c in frame.columns
    ]
    said = pl.any_horizontal(pl.all().is_not_null())
    return frame.select(pl.when(said).then(pl.concat_str(safe, separator="|")).alias("key"))["key"]


def _framed(part: bytes) -> bytes:
    return len(part).to_bytes(8, "big") + part


def _id(digest: bytes) -> bytes:
    raw = bytearray(digest)
    raw[6] = (raw[6] & 0x0F) | 0x80
    raw[8] = (raw[8] & 0x3F) | 0x80
    return bytes(raw)


def named_ids(study: bytes, kind: str, keys: Sequence[str], contents: Sequence[bytes] | None = None) -> list[bytes]:
    """Give what `domatia.model.identity.named_id` gives, for many keys at once."""
    start = blake2b(digest_size=ID_BYTES)
    start.update(_framed(b"b" + study) + _framed(b"t" + kind.encode()))
    found = []
    none = _framed(b"b")
    for n, key in enumerate(keys):
        made = start.copy()
        made.update(_framed(b"t" + key.encode("utf-8", "surrogatepass")))
        made.update(none if contents is None else _framed(b"b" + contents[n]))
        found.append(_id(made.digest()))
    return found


def key_ids(study: bytes, kind: str, keys: pl.Series) -> pl.Series:
    """Give the id of the thing behind each key; null where the key is."""
    distinct = keys.drop_nulls().unique().to_list()
    table = pl.DataFrame(
        {"key": distinct, "id": named_ids(study, kind, distinct)}, schema={"key": pl.String, "id": pl.Binary}
    )
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


def content_hashes(texts: Sequence[str]) -> list[bytes]:
    """Hash texts that `content_text` gave."""
    return [blake2b(t.encode("utf-8", "surrogatepass"), digest_size=ID_BYTES).digest() for t in texts]
