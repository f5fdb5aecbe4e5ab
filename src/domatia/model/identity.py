"""Who a record is: 16-byte ids, made from names for imported rows and from the clock for typed ones."""

import os
import time
from collections.abc import Iterable
from hashlib import blake2b

ID_BYTES = 16


def content_hash(values: Iterable[object]) -> bytes:
    """Hash the values of a record, in the order of its fields.

    Parameters
    ----------
    values : iterable
        None, text, numbers, dates or bytes. None differs from empty text; 1 differs from "1".

    Returns
    -------
    bytes
        16 bytes.
    """
    h = blake2b(digest_size=ID_BYTES)
    for value in values:
        part = _as_bytes(value)
        h.update(len(part).to_bytes(8, "big"))
        h.update(part)
    return h.digest()


def _as_bytes(value: object) -> bytes:
    if value is None:
        return b"-"
    if isinstance(value, bytes):
        return b"b" + value
    if isinstance(value, bool):
        return b"?1" if value else b"?0"
    if isinstance(value, int | float):
        number = float(value)
        return b"n" + (repr(int(number)) if number.is_integer() else repr(number)).encode()
    return b"t" + str(value).encode("utf-8", "surrogatepass")


def named_id(study: bytes, kind: str, key: str, content: bytes = b"") -> bytes:
    """Give the id that a study, a kind and a natural key (and, for a revision, its content) always get.

    The same file imported twice, or on two machines, therefore gives the same ids.

    Parameters
    ----------
    study : bytes
        The study's own id.
    kind : str
        The record kind, such as "visit".
    key : str
        The natural key, as the mapping defines it.
    content : bytes, optional
        Hash of the content. Leave it out for the subject (the thing), give it for the record (this revision).

    Returns
    -------
    bytes
        16 bytes in the form of a UUID of version 8 (RFC 9562).
    """
    raw = bytearray(content_hash((study, kind, key, content)))
    raw[6] = (raw[6] & 0x0F) | 0x80
    raw[8] = (raw[8] & 0x3F) | 0x80
    return bytes(raw)


def typed_id(now_ms: int | None = None) -> bytes:
    """Make a new UUID of version 7 (RFC 9562) for something typed by a person.

    Parameters
    ----------
    now_ms : int, optional
        Milliseconds since 1970; the clock's time when left out.
    """
    ms = time.time_ns() // 1_000_000 if now_ms is None else now_ms
    raw = bytearray(ms.to_bytes(6, "big") + os.urandom(10))
    raw[6] = (raw[6] & 0x0F) | 0x70
    raw[8] = (raw[8] & 0x3F) | 0x80
    return bytes(raw)


def short(identity: bytes) -> str:
    """Write an id for a person or for JSON."""
    return identity.hex()
